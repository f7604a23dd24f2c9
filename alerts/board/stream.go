package board

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Events of a stream. Each is one line of JSON.
//
//	hello {"asset":"…"}            first; a page made by other assets loads itself again
//	part  {"id":"ruler","html":"…"} this part of the page has changed
//	beat  {}                       nothing has changed; the stream lives
//	gone  {}                       what the page is about does not exist any more
const (
	ringGap      = 250 * time.Millisecond // least wall time between two looks, however often the bell rings
	writeTimeout = 10 * time.Second       // a browser that does not read for so long is let go
)

// stream sends the parts of a page whenever they have changed, until the
// browser goes or the board stops.
func (b *Board) stream(w http.ResponseWriter, r *http.Request, pg page) {
	select {
	case b.seats <- struct{}{}:
		defer func() { <-b.seats }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many pages are live at once; this one stays as it is until loaded again.", http.StatusServiceUnavailable)
		return
	}
	control := http.NewResponseController(w)
	// The server's read and write limits are for requests, not for a stream.
	_ = control.SetReadDeadline(time.Time{})
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // a proxy in front must not hold it back
	w.WriteHeader(http.StatusOK)

	send := func(event string, payload any) error {
		body, err := json.Marshal(payload)
		if err != nil {
			return err
		}
		_ = control.SetWriteDeadline(b.wall().Add(writeTimeout))
		if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", event, body); err != nil {
			return err
		}
		return control.Flush()
	}
	if err := send("hello", map[string]string{"asset": assetVersion}); err != nil {
		return
	}

	ear, stop := b.bell.listen()
	defer stop()
	ticker := time.NewTicker(b.refresh)
	defer ticker.Stop()
	reader := readerOf(r)
	parts := append([]part{b.clockPart()}, pg.parts...)
	sent := make([]sending, len(parts))
	for {
		switch err := b.sendChanged(r.Context(), parts, sent, reader, send); {
		case errors.Is(err, errGone):
			_ = send("gone", struct{}{})
			return
		case err != nil:
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-b.done:
			return
		case <-ticker.C:
		case <-ear:
			// Gather the rings of one moment: a hundred findings are one look.
			select {
			case <-r.Context().Done():
				return
			case <-b.done:
				return
			case <-time.After(ringGap):
			}
		}
	}
}

// sending is what a stream last sent of a part.
type sending struct {
	hash [sha256.Size]byte
	at   time.Time
}

func (b *Board) sendChanged(ctx context.Context, parts []part, sent []sending, reader Reader, send func(string, any) error) error {
	quiet := true
	for i, p := range parts {
		now := b.wall()
		if p.still || !sent[i].at.IsZero() && now.Sub(sent[i].at) < p.gap {
			continue
		}
		text, err := b.html(ctx, p, reader)
		if err != nil {
			if !errors.Is(err, errGone) && ctx.Err() == nil {
				b.log.Error().Err(err).Str("part", p.id).Msg("a live part could not be made")
			}
			return err
		}
		hash := sha256.Sum256([]byte(text))
		same := hash == sent[i].hash
		sent[i] = sending{hash, now}
		if same {
			continue
		}
		if err := send("part", map[string]string{"id": p.id, "html": text}); err != nil {
			return err
		}
		quiet = false
	}
	if quiet {
		return send("beat", struct{}{})
	}
	return nil
}
