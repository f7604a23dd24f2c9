package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
)

// The message of a route has a link to each stop that is good for that tech, that
// stop and that shift, and none where the board's address is not known.
func TestRouteMessageHasLinksToItsStops(t *testing.T) {
	b := newDispatchBench(t)
	links, err := openLinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	b.o.Links, b.o.BaseURL = links, "https://board.example/"
	b.restart(t)
	b.alert("north", 6*time.Hour, alerts.High)
	b.alert("south", 9*time.Hour, alerts.High)
	order := b.replan(t)
	text := b.messages(t)[0].Text
	found := regexp.MustCompile(`https://board\.example/stop/(\S+)`).FindAllStringSubmatch(text, -1)
	if len(found) != 2 {
		t.Fatalf("%d links in:\n%s", len(found), text)
	}
	for i, f := range found {
		g, err := links.VerifyStop(f[1], b.clock.Now())
		if err != nil || g.Tech != "ada" || g.Stop != order[i] {
			t.Errorf("link %d: %+v %v", i, g, err)
		}
		shiftEnds := time.Date(2026, 7, 14, 19, 0, 0, 0, time.UTC)
		if _, err := links.VerifyStop(f[1], shiftEnds); err != nil {
			t.Errorf("it ends before the shift: %v", err)
		}
		if _, err := links.VerifyStop(f[1], shiftEnds.Add(13*time.Hour)); err == nil {
			t.Error("it outlives the night")
		}
	}
	b.o.BaseURL = ""
	c := newDispatchBench(t)
	c.o.Links = links
	c.restart(t)
	c.alert("north", 6*time.Hour, alerts.High)
	c.replan(t)
	if text := c.messages(t)[0].Text; strings.Contains(text, "/stop/") {
		t.Errorf("a link without an address:\n%s", text)
	}
}

// The key that signs is made once, is nobody else's to read, and a file that is no
// key is said so.
func TestKeyOfLinksIsKept(t *testing.T) {
	dir := t.TempDir()
	a, err := openLinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	b, err := openLinks(dir)
	if err != nil || !bytes.Equal(a.Key, b.Key) || len(a.Key) != 32 || bytes.Equal(a.Key, make([]byte, 32)) {
		t.Fatalf("%x %x %v", a.Key, b.Key, err)
	}
	if info, err := os.Stat(filepath.Join(dir, linksFile)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	if other, _ := openLinks(t.TempDir()); bytes.Equal(other.Key, a.Key) {
		t.Error("two boards have one key")
	}
	if err := os.WriteFile(filepath.Join(dir, linksFile), []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := openLinks(dir); err == nil || !strings.Contains(err.Error(), "delete it") {
		t.Errorf("no key: %v", err)
	}
}
