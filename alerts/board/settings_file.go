package board

import (
	"net/http"
	"strings"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
)

// exportSettings hands out what is in effect as a file.
func (b *Board) exportSettings(w http.ResponseWriter, r *http.Request) {
	_, effect := b.settings.InUse()
	state := effect.All
	if d, ok := b.drafts.find(r.URL.Query().Get("draft")); ok {
		state = d.State
	}
	w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="settings.yaml"`)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(state.YAML())
}

type importView struct {
	Text     string
	Problems []string
}

func importPage(text string, problems []string) page {
	return page{title: "Settings from a file", class: "settings", tab: "settings", parts: []part{
		{id: "importsettings", still: true, data: dataOf(importView{text, problems})},
	}}
}

// importSettings makes a draft of a file's text.
func (b *Board) importSettings(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The text could not be read; it may be longer than 64 KB. Use coilward settings import for a long one.")
		return
	}
	text := r.PostForm.Get("text")
	file, effect := b.settings.InUse()
	state, err := fleet.ParseOverrides("line", []byte(text))
	if err == nil {
		err = settings.New(file, effect.All, state)
	}
	if err != nil {
		var lines []string
		for _, p := range fleet.Problems(err) {
			lines = append(lines, strings.Replace(p.Error(), "line:", "line ", 1))
		}
		if lines == nil {
			lines = textsOf(err)
		}
		b.show(w, r, http.StatusUnprocessableEntity, importPage(text, lines))
		return
	}
	d := b.drafts.keep(effect.Number, state)
	http.Redirect(w, r, "/settings/draft/"+d.ID, http.StatusSeeOther)
}
