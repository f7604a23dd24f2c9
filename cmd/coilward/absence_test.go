package main

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// A daemon that was away for hours does not call machines silent for what it
// did not hear; one that stays quiet afterwards is called so. A replay of the
// history says the same, and so does a daemon stopped again soon after.
func TestAbsenceIsNotSilence(t *testing.T) {
	const machines = 8
	run := func(restarts ...time.Duration) (said []string, dir string, begin, end time.Time) {
		sim, f := invented(t, machines, 2)
		dir, begin = t.TempDir(), sim.Now()
		l := startLive(t, dir, f, sim.Now())
		l.play(t, sim, 20*time.Hour)
		l.stop()
		sim.Advance(3 * time.Hour) // nobody listens
		for _, d := range restarts {
			l = startLive(t, dir, f, sim.Now())
			l.play(t, sim, d)
			l.stop()
		}
		return reported(t, dir, f), dir, begin, sim.Now()
	}
	said, dir, begin, end := run(25 * time.Hour)
	_, f := invented(t, machines, 2)
	back := begin.Add(23 * time.Hour)
	for _, line := range said {
		at, err := time.Parse(time.RFC3339, line[len(`{"at":"`):strings.IndexByte(line[7:], '"')+7])
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(line, `"fault":"silent"`) && strings.Contains(line, `"raised"`) && at.After(begin.Add(20*time.Hour)) && at.Before(back.Add(25*time.Minute)) {
			t.Errorf("called silent for the time nobody listened: %s", line)
		}
	}
	if !slices.ContainsFunc(said, func(l string) bool { return strings.Contains(l, `"raised"`) }) {
		t.Fatal("nothing was said at all: the fleet shows nothing")
	}
	same(t, "replay", replayed(t, dir, f, 2, begin, end), said)
	again, _, _, _ := run(12*time.Minute, 24*time.Hour+48*time.Minute)
	same(t, "stopped again soon after", again, said)
}
