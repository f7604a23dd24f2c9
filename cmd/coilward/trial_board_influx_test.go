package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"coilward/collector/influx/influxtest"
	"coilward/collector/racetest"
)

// page is the board in the hands of somebody who has a browser and no script.
type page struct {
	t    *testing.T
	at   string // http://host:port
	http http.Client
}

func browse(t *testing.T, address string) *page {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	alone := &http.Transport{DisableKeepAlives: true}
	return &page{t, "http://" + address, http.Client{Jar: jar, Timeout: time.Minute, Transport: alone}}
}

// get returns where a link leads, and what is there.
func (p *page) get(path string) (at, text string) {
	p.t.Helper()
	r, err := p.http.Get(p.at + path)
	return p.read(r, err)
}

// post sends a form as a browser does, and returns where it led.
func (p *page) post(path string, form url.Values) (at, text string) {
	p.t.Helper()
	r, err := http.NewRequestWithContext(p.t.Context(), http.MethodPost, p.at+path, strings.NewReader(form.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", p.at)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return p.read(p.http.Do(r))
}

func (p *page) read(r *http.Response, err error) (at, text string) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		p.t.Fatalf("%s %s: %s, %v\n%s", r.Request.Method, r.Request.URL, r.Status, err, b)
	}
	return r.Request.URL.Path, string(b)
}

// What is tried at the board of a running daemon on its copy in InfluxDB is what the
// same page says of the daemon's own history, in all that it shows.
func TestBoardTrialOnInflux(t *testing.T) {
	if racetest.Enabled {
		t.Skip("the same goroutines are watched by TestBoardTrialEqualsCommand, in a fraction of the time")
	}
	base := influxtest.Start(t)
	dir := t.TempDir()
	sim, f := invented(t, 4, 3)
	if err := os.WriteFile(filepath.Join(dir, "fleet.yaml"), []byte(sim.YAML()), 0o600); err != nil {
		t.Fatal(err)
	}
	second := func(c *config) { c.Influx.URL, c.Influx.Bucket = base, influxtest.Bucket }
	l := startLive(t, dir, f, sim.Now(), second)
	l.play(t, sim, 50*time.Hour)
	l.stop()
	// The daemon is away for a while, which is noted in both.
	sim.Advance(20 * time.Minute)
	l = startLive(t, dir, f, sim.Now(), second)
	defer l.stop()
	trialsOfTest(t, l.d)
	l.play(t, sim, 21*time.Hour)
	eventually(t, "all that is stored is in InfluxDB", func() bool {
		b, err := os.ReadFile(filepath.Join(dir, influxCursor))
		return err == nil && strings.TrimSpace(string(b)) == fmt.Sprint(l.d.history.LastSeq())
	})

	p := browse(t, l.board)
	at, text := p.post("/settings", url.Values{"at": {"fleet"}, "limits.sealed-beverage.warm": {"14"}, "alerting.on_delay.low": {"3 h"}, "alerting.priority.at_most": {"low"}})
	if !strings.HasPrefix(at, "/settings/draft/") || !strings.Contains(text, `name="history" value="influx"`) {
		t.Fatalf("a change leads to %s\n%s", at, text)
	}
	one := f.Sites[0].Machines[0].ID
	for name, order := range map[string]url.Values{
		"all":                      {"days": {"1"}},
		"a setting of one machine": {"days": {"1"}, "machines": {one}, "wanted": {"3"}},
	} {
		t.Run(name, func(t *testing.T) {
			p := browse(t, l.board)
			var said, result [2]string
			for i, from := range []string{"own", "influx"} {
				order.Set("history", from)
				run, _ := p.post(at+"/try", order)
				if !strings.HasPrefix(run, "/trials/") {
					t.Fatalf("the order leads to %s", run)
				}
				var text string
				eventually(t, "the trial ends", func() bool {
					_, text = p.get(run)
					return !strings.Contains(text, `id="trial-progress"`)
				})
				if inInflux := strings.Contains(text, ", on the copy in InfluxDB"); inInflux != (from == "influx") {
					t.Errorf("%s: the page says InfluxDB: %v", from, inInflux)
				}
				said[i] = shownOf(t, text, strings.TrimPrefix(run, "/trials/"))
				kept, _ := l.d.trials.Run(strings.TrimPrefix(run, "/trials/"))
				b, err := json.Marshal(kept.Result)
				if err != nil {
					t.Fatal(err)
				}
				result[i] = string(b)
			}
			if said[0] != said[1] || !strings.Contains(said[0], "With the change") || !strings.Contains(said[0], "differlist") {
				t.Errorf("on InfluxDB\n%s\non its own history\n%s", said[1], said[0])
			}
			if result[0] != result[1] {
				t.Errorf("on InfluxDB\n%s\non its own history\n%s", result[1], result[0])
			}
		})
	}
}

// shownOf is the part of a trial's page that tells the result, without the trial's
// number and the history that it was made on.
func shownOf(t *testing.T, text, id string) string {
	t.Helper()
	_, text, found := strings.Cut(text, `<section id="trialrun"`)
	text, _, ended := strings.Cut(text, "</section>")
	if !found || !ended {
		t.Fatalf("there is no trial on the page: %s", text)
	}
	text = strings.Replace(text, ", on the copy in InfluxDB", "", 1)
	return regexp.MustCompile(`/trials/`+id+`\b`).ReplaceAllString(text, "/trials/N")
}
