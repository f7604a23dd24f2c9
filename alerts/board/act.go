package board

import (
	"cmp"
	"errors"
	"io/fs"
	"mime"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/collector"
)

// readerForm asks who somebody is and how they read.
type readerForm struct {
	Reader
	Next  string
	Ask   string            // why the name is asked for now
	Post  string            // where the form goes, "" its own place
	Carry map[string]string // what else goes with it
}

// localPath keeps a path of this board and drops anything that leads elsewhere.
func localPath(s string) string {
	u, err := url.Parse(s)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(s, "/") || strings.HasPrefix(s, "//") ||
		strings.ContainsAny(s, "\\\r\n\t") {
		return "/"
	}
	return s
}

func (b *Board) saveReader(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	reader := Reader{Name: cleanName(r.PostForm.Get("name")), Fahrenheit: r.PostForm.Get("unit") == "F", TwelveHour: r.PostForm.Get("clock") == "12"}
	http.SetCookie(w, reader.cookie())
	http.Redirect(w, r, localPath(r.PostForm.Get("next")), http.StatusSeeOther)
}

// verbs are the moves of the addresses.
var verbs = map[string]alerts.Verb{
	"acknowledge": alerts.Acknowledge, "shelve": alerts.Shelve, "unshelve": alerts.Unshelve,
	"take-out": alerts.TakeOut, "put-back": alerts.PutBack,
}

// move makes a person's move of an alert. Whoever has given no name yet is
// asked for it, with the move kept, because a move without a name is worth
// nothing to whoever reads the history.
func (b *Board) move(w http.ResponseWriter, r *http.Request) {
	id, name := r.PathValue("alert"), r.PathValue("move")
	verb, ok := verbs[name]
	if !ok {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such move of an alert.")
		return
	}
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	reader := signed(w, r)
	next := localPath(cmp.Or(r.PostForm.Get("next"), alertURL(id)))
	if reader.Name == "" {
		form := readerForm{Reader: reader, Next: next, Ask: "The history of an alert says who did what.",
			Post: alertURL(id) + "/" + name, Carry: map[string]string{}}
		for _, field := range []string{"reason", "for"} {
			if v := r.PostForm.Get(field); v != "" {
				form.Carry[field] = v
			}
		}
		b.show(w, r, http.StatusOK, page{title: "Your name", class: "message", parts: []part{
			{id: "reader", still: true, data: dataOf(form)},
		}})
		return
	}
	now := b.clock.Now()
	o := alerts.Order{Verb: verb, By: alerts.Actor{Role: alerts.Operator, Name: reader.Name}, At: collector.MillisOf(now),
		Reason: strings.TrimSpace(r.PostForm.Get("reason"))}
	if verb == alerts.Shelve {
		d, err := time.ParseDuration(r.PostForm.Get("for"))
		if err != nil || d <= 0 {
			b.fail(w, r, http.StatusBadRequest, "How long?", "Choose how long the alert is put aside.")
			return
		}
		o.Until = collector.MillisOf(now.Add(d))
	}
	if _, err := b.desk.Do(r.Context(), id, o); err != nil {
		status := http.StatusInternalServerError
		if illegal := new(alerts.IllegalMove); errors.As(err, &illegal) {
			status = http.StatusConflict
		}
		b.log.Warn().Err(err).Str("alert", id).Str("move", verb.String()).Msg("a move was refused")
		b.fail(w, r, status, "Not done", err.Error())
		return
	}
	b.log.Info().Str("alert", id).Str("move", verb.String()).Str("by", reader.Name).Msg("alert moved at the board")
	b.bell.Ring()
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// static serves the embedded style sheet and script. Their address carries
// their version, so a browser may keep them for good.
func (b *Board) static(w http.ResponseWriter, r *http.Request) {
	name := path.Base(path.Clean("/" + r.PathValue("file")))
	body, err := fs.ReadFile(staticFiles, "static/"+name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", cmp.Or(mime.TypeByExtension(path.Ext(name)), "application/octet-stream"))
	if r.URL.Query().Get("v") == assetVersion {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		w.Header().Set("Cache-Control", "no-cache")
	}
	_, _ = w.Write(body)
}
