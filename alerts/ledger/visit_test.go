package ledger_test

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"coilward/alerts/ledger"
)

// A visit is kept once under its ID, as it was last, and found by machine and by
// what a person found there.
func TestVisitsAreKept(t *testing.T) {
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "alerts.sqlite")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	noon := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	v := ledger.Visit{ID: "A-1/cab-1/ines", Machine: "cab-1", Site: "oakmill", Alert: "A-1", At: noon, Body: json.RawMessage(`{"a":1}`)}
	if err := l.PutVisit(t.Context(), v, "Ines", ""); err != nil {
		t.Fatal(err)
	}
	v.At, v.Closed, v.Label, v.Body = noon.Add(time.Hour), true, "coil-iced", json.RawMessage(`{"a":2}`)
	if err := l.PutVisit(t.Context(), v, "Ines", "closed a visit"); err != nil {
		t.Fatal(err)
	}
	other := ledger.Visit{ID: "A-2/cab-2/ines", Machine: "cab-2", Site: "oakmill", At: noon, Closed: true, Body: json.RawMessage(`{}`)}
	if err := l.PutVisit(t.Context(), other, "Ines", ""); err != nil {
		t.Fatal(err)
	}
	got, err := l.Visit(t.Context(), v.ID)
	if err != nil || string(got.Body) != `{"a":2}` || !got.Closed || !got.At.Equal(v.At) {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := l.Visit(t.Context(), "none"); !errors.Is(err, ledger.ErrNone) {
		t.Errorf("none: %v", err)
	}
	for want, q := range map[int]ledger.VisitQuery{2: {}, 1: {Labelled: true}, 0: {Machine: "cab-1", To: noon}} {
		if got, err := l.Visits(t.Context(), q); err != nil || len(got) != want {
			t.Errorf("%+v: %v %v, want %d", q, got, err, want)
		}
	}
	if audit, err := l.Audit(t.Context(), 10); err != nil || len(audit) != 1 || audit[0].Who != "Ines" {
		t.Errorf("audit %v %v", audit, err)
	}
	if err := l.PutVisit(t.Context(), ledger.Visit{ID: "x", Machine: "y", Body: json.RawMessage(`{`)}, "", ""); err == nil {
		t.Error("kept what is no JSON")
	}
}
