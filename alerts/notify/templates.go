package notify

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"text/template"
	"text/template/parse"
)

//go:embed templates
var embedded embed.FS

// Kinds of message, each a file of its own in the folder of a language:
// alert.email.txt for one channel, alert.txt for those that have none.
const (
	kindAlert   = "alert"
	kindOver    = "over"
	kindSummary = "summary"
	kindFlood   = "flood"
	kindTest    = "test"
	kindRoute   = "route" // a tech's route
	kindAsk     = "ask"   // where a tech is
	kindTurn    = "turn"  // who takes a turn for somebody else
)

var kinds = []string{kindAlert, kindOver, kindSummary, kindFlood, kindTest, kindRoute, kindAsk, kindTurn}

// wordsFile holds the words and phrases that cards are made of, pageFile those of
// the pages that links in messages open.
const (
	wordsFile = "words.txt"
	pageFile  = "page.txt"
)

var wordFiles = []string{wordsFile, pageFile}

// fallback is the language whose texts stand in for what another has not got.
const fallback = "en"

// Templates are the texts of messages, by language, kind and channel. Use
// [LoadTemplates].
type Templates struct{ languages map[string]*language }

// evidenceFile translates what the models say of what they saw, piece by piece;
// sentencesFile whole sentences of the checks, the food rules and the refusals.
const (
	evidenceFile  = "evidence.txt"
	sentencesFile = "sentences.txt"
)

// language is one language's texts.
type language struct {
	pieces    *strings.Replacer // of evidence
	sentences *sentences
	words     *template.Template
	fields    map[string][]string           // what the words of pages are given, by word
	texts     map[string]*template.Template // by kind.channel
}

// LoadTemplates returns the texts that come with the program, under those of a
// folder of the admin's: LANGUAGE/KIND.CHANNEL.txt, LANGUAGE/KIND.txt,
// and LANGUAGE/words.txt, page.txt, evidence.txt and sentences.txt, any of which may
// be missing. A new language is a new folder.
// Every text is tried on examples; the error tells all that is wrong, with file and
// line. dir may be "".
func LoadTemplates(dir string) (*Templates, error) {
	own, err := fs.Sub(embedded, "templates")
	if err != nil {
		return nil, err
	}
	layers := []layer{{"templates", own}} // the later over the earlier
	if dir != "" {
		if _, err := os.ReadDir(dir); err != nil {
			return nil, fmt.Errorf("the folder of message texts cannot be read: %w", err)
		}
		layers = append(layers, layer{dir, os.DirFS(dir)})
	}
	t := &Templates{languages: map[string]*language{}}
	var bad []error
	names := map[string]bool{}
	for _, l := range layers {
		found, err := l.languages()
		bad = append(bad, err)
		for _, n := range found {
			names[n] = true
		}
	}
	for _, n := range slices.Sorted(maps.Keys(names)) {
		l, errs := load(n, layers)
		t.languages[n] = l
		bad = append(bad, errs...)
	}
	if err := errors.Join(bad...); err != nil {
		return nil, err
	}
	return t, t.try()
}

// ownTemplates are those that come with the program.
var ownTemplates = sync.OnceValue(func() *Templates {
	t, err := LoadTemplates("")
	if err != nil {
		panic(fmt.Sprintf("notify: the texts that come with the program: %v", err))
	}
	return t
})

// Languages returns the languages there are, sorted.
func (t *Templates) Languages() []string { return slices.Sorted(maps.Keys(t.languages)) }

// Check reports people whose language there is none of.
func (t *Templates) Check(s *Settings) error {
	var bad []error
	for _, p := range s.People {
		if p.Language != "" && t.languages[p.Language] == nil {
			bad = append(bad, fmt.Errorf("person %q: there are no texts in language %q, only in %s; write them into a folder of that name", p.ID, p.Language, strings.Join(t.Languages(), ", ")))
		}
	}
	return errors.Join(bad...)
}

// in returns a language; the fallback where there is no such.
func (t *Templates) in(name string) *language {
	if l := t.languages[name]; l != nil {
		return l
	}
	return t.languages[fallback]
}

// layer is a folder of languages.
type layer struct {
	name string
	fs   fs.FS
}

// languages lists the layer's folders, and tells of files that nothing reads.
func (l layer) languages() (names []string, err error) {
	var bad []error
	all, err := fs.ReadDir(l.fs, ".")
	if err != nil {
		return nil, err
	}
	for _, e := range all {
		if !e.IsDir() {
			continue // a note to the next admin
		}
		names = append(names, e.Name())
		files, err := fs.ReadDir(l.fs, e.Name())
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if name := f.Name(); strings.HasSuffix(name, ".txt") && !slices.Contains(wordFiles, name) && name != evidenceFile && name != sentencesFile && !slices.Contains(textFiles(), name) {
				bad = append(bad, fmt.Errorf("%s: nothing is told in a text of this name; the names are %s, %s",
					filepath.Join(l.name, e.Name(), name), strings.Join(wordFiles, ", "), strings.Join(append([]string{evidenceFile, sentencesFile}, textFiles()...), ", ")))
			}
		}
	}
	return names, errors.Join(bad...)
}

// textFiles are the names that texts may have.
func textFiles() []string {
	var out []string
	for _, k := range kinds {
		out = append(out, k+".txt")
		for _, c := range Channels {
			out = append(out, k+"."+c+".txt")
		}
	}
	return out
}

// load puts a language together: its words over the fallback's, its texts before
// the fallback's.
func load(name string, layers []layer) (*language, []error) {
	l := &language{words: template.New("words").Option("missingkey=error"), texts: map[string]*template.Template{}, fields: map[string][]string{}}
	var bad []error
	known := map[string]bool{}
	languages := []string{fallback}
	if name != fallback {
		languages = append(languages, name)
	}
	for _, lang := range languages {
		for i, from := range layers {
			for _, words := range wordFiles {
				bad = append(bad, l.addWords(from, lang, words, lang == fallback && i == 0, known)...)
			}
		}
	}
	var err error
	if l.pieces, err = pieces(name, layers); err != nil {
		bad = append(bad, err)
	}
	if l.sentences, err = readSentences(name, layers); err != nil {
		bad = append(bad, err)
	}
	for _, k := range kinds {
		for _, c := range Channels {
			file, text, err := find(name, k, c, layers)
			if err != nil {
				bad = append(bad, err)
				continue
			}
			t, err := l.words.Clone()
			if err == nil {
				t, err = t.New(file).Parse(text)
			}
			if err != nil {
				if err = place(err); !slices.ContainsFunc(bad, func(e error) bool { return e != nil && e.Error() == err.Error() }) {
					bad = append(bad, err)
				}
				continue
			}
			if t.Lookup("subject") == nil {
				bad = append(bad, fmt.Errorf(`%s: it needs {{define "subject"}}…{{end}}, what the message is headed`, file))
			}
			l.texts[k+"."+c] = t
		}
	}
	return l, bad
}

// addWords adds the words of a file of a layer. What the program's own language
// defines is known; nothing says a word that is not.
func (l *language) addWords(from layer, lang, name string, own bool, known map[string]bool) (bad []error) {
	file, text, ok, err := from.read(lang, name)
	if !ok {
		return []error{err}
	}
	one, err := template.New(file).Parse(text)
	if err != nil {
		return []error{place(err)}
	}
	for _, d := range one.Templates() {
		switch {
		case d.Name() == file || d.Tree == nil:
			continue
		case own:
			known[d.Name()] = true
			l.fields[d.Name()] = fieldsOf(d.Tree.Root)
		case !known[d.Name()]:
			bad = append(bad, fmt.Errorf("%s: nothing says %q; the words are those of %s in the program's own language %s", file, d.Name(), strings.Join(wordFiles, " and "), fallback))
		}
		if _, err := l.words.AddParseTree(d.Name(), d.Tree); err != nil {
			bad = append(bad, place(err))
		}
	}
	return bad
}

// fieldsOf are the names that a word is given.
func fieldsOf(root *parse.ListNode) []string {
	var out []string
	for _, m := range fieldName.FindAllStringSubmatch(root.String(), -1) {
		if !slices.Contains(out, m[1]) {
			out = append(out, m[1])
		}
	}
	return out
}

var fieldName = regexp.MustCompile(`(?:{{|\s)\.([A-Z]\w*)`)

// pieces reads what is put in the place of pieces of evidence, the longest first.
func pieces(lang string, layers []layer) (*strings.Replacer, error) {
	by, bad := pairs(lang, evidenceFile, layers)
	var pairs []string
	for _, english := range slices.SortedFunc(maps.Keys(by), func(a, b string) int { return cmp.Or(cmp.Compare(len(b), len(a)), cmp.Compare(a, b)) }) {
		pairs = append(pairs, english, by[english])
	}
	return strings.NewReplacer(pairs...), errors.Join(bad...)
}

// pairs reads lines of English, =>, and what is put in its place, the later layer
// over the earlier.
func pairs(lang, name string, layers []layer) (by map[string]string, bad []error) {
	by = map[string]string{}
	for _, from := range layers {
		file, text, _, err := from.read(lang, name)
		bad = append(bad, err)
		n := 0
		for line := range strings.Lines(text) {
			n++
			if line = strings.TrimRight(line, "\r\n"); strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#") {
				continue
			}
			english, own, ok := strings.Cut(line, " => ")
			if !ok || strings.TrimSpace(english) == "" || strings.Count(english, hole) != strings.Count(own, hole) {
				bad = append(bad, fmt.Errorf("%s:%d: write a piece of English, =>, and what is put in its place, with as many %s in both", file, n, hole))
				continue
			}
			by[english] = own
		}
	}
	return by, bad
}

// read returns a file of a language, if the layer has it.
func (l layer) read(lang, name string) (file, text string, ok bool, err error) {
	file = filepath.Join(l.name, lang, name)
	b, err := fs.ReadFile(l.fs, path.Join(lang, name))
	if errors.Is(err, fs.ErrNotExist) {
		return file, "", false, nil
	}
	return file, string(b), err == nil, err
}

// find returns the text for a kind and channel: the language's before the
// fallback's, the channel's before the general, the admin's before the program's.
func find(lang, kind, channel string, layers []layer) (file, text string, err error) {
	for _, lang := range []string{lang, fallback} {
		for _, name := range []string{kind + "." + channel + ".txt", kind + ".txt"} {
			for _, from := range slices.Backward(layers) {
				if file, text, ok, err := from.read(lang, name); ok || err != nil {
					return file, text, err
				}
			}
		}
	}
	return "", "", fmt.Errorf("there is no text for %s over %s", kind, channel)
}

// place makes of a template's error one that begins with file and line.
func place(err error) error {
	if err == nil {
		return nil
	}
	return errors.New(strings.TrimPrefix(err.Error(), "template: "))
}

// fill fills a text in. Line breaks are taken out of the subject: one in a name must
// not start another header.
func (l *language) fill(kind, channel string, data any) (subject, text string, err error) {
	t := l.texts[kind+"."+channel]
	var s, b strings.Builder
	if err := cmp.Or(t.ExecuteTemplate(&s, "subject", data), t.Execute(&b, data)); err != nil {
		return "", "", place(err)
	}
	return strings.Join(strings.Fields(s.String()), " "), strings.TrimLeft(b.String(), "\n"), nil
}

// say fills a word or phrase in.
func (l *language) say(name string, data any) string {
	var b strings.Builder
	if err := l.words.ExecuteTemplate(&b, name, data); err != nil {
		// LoadTemplates has tried every word; what is left is a name in our code.
		panic(fmt.Sprintf("notify: %v", place(err)))
	}
	return strings.TrimSpace(b.String())
}
