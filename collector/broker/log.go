package broker

import (
	"context"
	"io"
	"log"
	"log/slog"

	"github.com/rs/zerolog"
)

// bridge gives the library's log to ours, at debug level: what matters is
// counted and logged by the broker itself. Of the attributes only harmless
// ones pass; the others hold whole packets, and with them passwords.
func bridge(l zerolog.Logger) *slog.Logger { return slog.New(bridgeHandler{l}) }

type bridgeHandler struct{ l zerolog.Logger }

func (h bridgeHandler) Enabled(_ context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && h.l.GetLevel() <= zerolog.DebugLevel
}

func (h bridgeHandler) Handle(_ context.Context, r slog.Record) error {
	e := h.l.Debug()
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case "error", "client", "listener", "remote":
			e = e.Str(a.Key, a.Value.String())
		}
		return true
	})
	e.Msg("embedded broker: " + r.Message)
	return nil
}

func (h bridgeHandler) WithAttrs([]slog.Attr) slog.Handler { return h }
func (h bridgeHandler) WithGroup(string) slog.Handler      { return h }

// quiet takes what net/http says of broken handshakes.
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }
