package board

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"strings"
	"time"
)

//go:embed templates
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// errGone says that what a page is about does not exist (any more).
var errGone = errors.New("there is no such thing here")

// templates are those of the board, in English; the pages that links open have others
// in each language.
var templates = parsed(func(name string, _ ...string) string { return name })

// parsed are the templates with a way to say the words of pages that links open.
func parsed(say func(name string, pairs ...string) string) *template.Template {
	return template.Must(template.New("").Funcs(template.FuncMap{"say": say}).ParseFS(templateFiles, "templates/*.html"))
}

// assetVersion changes with the style sheet, the script or a template, so that
// a browser never pairs an old script with new HTML.
var assetVersion = func() string {
	h := sha256.New()
	for _, files := range []fs.FS{staticFiles, templateFiles} {
		_ = fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			b, err := fs.ReadFile(files, path)
			fmt.Fprintf(h, "%s %d\n", path, len(b))
			h.Write(b)
			return err
		})
	}
	return hex.EncodeToString(h.Sum(nil))[:12]
}()

// page is what one address shows: parts from top to bottom.
type page struct {
	title string
	class string // how the style sheet lays the parts out
	tab   string // which entry of the head is current
	parts []part
}

// part is a piece of a page that is rendered, and sent again, on its own.
type part struct {
	id       string        // of the element, and the name of its template
	still    bool          // never sent again: it holds a form somebody may be filling in
	gap      time.Duration // least wall time between two sendings
	data     func(context.Context, Reader) (any, error)
	fallible bool // its failure is shown in its place instead of failing the page
}

// head is the frame around the parts.
type head struct {
	Title, Class, Tab string
	Reader            Reader
	Parts             []template.HTML
	Version           string
	Asset             string
	Live              string // address of the page's stream; "" not live
	Here              string // address to come back to
	Listen            string
	Settings          bool // there are pages of settings
}

// html renders one part.
func (b *Board) html(ctx context.Context, p part, r Reader) (string, error) {
	data, err := p.data(ctx, r)
	if err != nil {
		if !p.fallible || errors.Is(err, errGone) {
			return "", err
		}
		b.log.Error().Err(err).Str("part", p.id).Msg("a part of a page could not be made")
		data = err.Error()
	}
	var out bytes.Buffer
	name := p.id
	if err != nil {
		name = "failed"
		data = map[string]string{"ID": p.id, "Text": err.Error()}
	}
	if err := templates.ExecuteTemplate(&out, name, data); err != nil {
		return "", fmt.Errorf("template %s: %w", name, err)
	}
	return out.String(), nil
}

// show renders a whole page.
func (b *Board) show(w http.ResponseWriter, r *http.Request, status int, pg page) {
	reader := readerOf(r)
	h := head{Title: pg.title, Class: pg.class, Tab: pg.tab, Reader: reader, Version: b.version, Asset: assetVersion, Here: r.URL.RequestURI(), Listen: b.listen, Settings: b.settings != nil}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		h.Here = "/"
	}
	for _, p := range append([]part{b.clockPart()}, pg.parts...) {
		text, err := b.html(r.Context(), p, reader)
		if errors.Is(err, errGone) {
			b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such machine, site or alert. It may have been taken out of the fleet file.")
			return
		}
		if err != nil {
			b.log.Error().Err(err).Str("path", r.URL.Path).Msg("page could not be made")
			b.fail(w, r, http.StatusInternalServerError, "This page could not be made", "The reason is in the log. The watching goes on. Try again in a moment.")
			return
		}
		h.Parts = append(h.Parts, template.HTML(text)) // made by our own templates, escaped there
		if !p.still && p.id != "clock" {
			h.Live = "/live" + r.URL.RequestURI()
		}
	}
	b.write(w, status, "page", h)
}

// fail shows a page that says what went wrong.
func (b *Board) fail(w http.ResponseWriter, r *http.Request, status int, title, text string) {
	h := head{Title: title, Class: "message", Reader: readerOf(r), Version: b.version, Asset: assetVersion, Here: "/", Listen: b.listen, Settings: b.settings != nil}
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, "message", map[string]string{"Title": title, "Text": text}); err != nil {
		http.Error(w, text, status)
		return
	}
	h.Parts = []template.HTML{"", template.HTML(out.String())}
	b.write(w, status, "page", h)
}

func (b *Board) write(w http.ResponseWriter, status int, name string, data any) {
	b.writeWith(w, templates, status, name, data)
}

func (b *Board) writeWith(w http.ResponseWriter, t *template.Template, status int, name string, data any) {
	var out bytes.Buffer
	if err := t.ExecuteTemplate(&out, name, data); err != nil {
		b.log.Error().Err(err).Str("template", name).Msg("page could not be made")
		http.Error(w, "This page could not be made; the reason is in the log.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(out.Bytes()) // the reader has gone: nobody to tell
}

// elementID makes a name fit for an id attribute and a fragment: what is not a
// letter, a digit or a hyphen is written as its code.
func elementID(name string) string {
	var out strings.Builder
	out.WriteString("x-")
	for _, c := range name {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-':
			out.WriteRune(c)
		default:
			fmt.Fprintf(&out, "_%x", c)
		}
	}
	return out.String()
}

func alertURL(id string) string { return "/alerts/" + url.PathEscape(id) }

func dataOf(v any) func(context.Context, Reader) (any, error) {
	return func(context.Context, Reader) (any, error) { return v, nil }
}
