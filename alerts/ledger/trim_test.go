package ledger_test

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"coilward/alerts/ledger"
)

// Trimmed, the newest versions stay and are counted on from; other settings keep all.
func TestTrimKeepsTheNewest(t *testing.T) {
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "alerts.sqlite")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i := range 10 {
		for _, name := range []string{"progress", "limits"} {
			if _, err := l.Save(t.Context(), ledger.Setting{Name: name, At: time.Unix(int64(i), 0), Who: "x", Body: json.RawMessage(`{}`)}, i); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := l.Trim(t.Context(), "progress", 3); err != nil {
		t.Fatal(err)
	}
	got, err := l.Versions(t.Context(), "progress")
	if err != nil || len(got) != 3 || got[0].Version != 10 || got[2].Version != 8 {
		t.Fatalf("%+v %v", got, err)
	}
	if all, _ := l.Versions(t.Context(), "limits"); len(all) != 10 {
		t.Errorf("%d versions of another setting", len(all))
	}
	if s, err := l.Save(t.Context(), ledger.Setting{Name: "progress", At: time.Unix(11, 0), Who: "x", Body: json.RawMessage(`{}`)}, 10); err != nil || s.Version != 11 {
		t.Errorf("%+v %v", s, err)
	}
	if l.Trim(t.Context(), "progress", 0) == nil {
		t.Error("nothing would be left")
	}
}
