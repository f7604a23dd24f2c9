package main

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A machine of the fleet file that has sent nothing is not heard yet, and not well
// since 1970: the daemon makes a model for it all the same.
func TestListedMachineThatWasNeverHeard(t *testing.T) {
	d, _, _, stop := running(t, nil)
	defer stop()
	page := func(path string) string {
		t.Helper()
		w := httptest.NewRecorder()
		d.board.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://localhost"+path, nil))
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		return w.Body.String()
	}
	site := d.fleet.Load().Sites[0]
	for path, want := range map[string]string{
		"/machines/" + site.Machines[0].ID: "Nothing was heard of this machine yet",
		"/sites/" + site.ID:                "not heard yet",
		"/":                                "3 machines, none in trouble; 3 not heard yet",
	} {
		body := page(path)
		if !strings.Contains(body, want) {
			t.Errorf("%s lacks %q", path, want)
		}
		for _, wrong := range []string{"1969", "1970", "all well", ">well<"} {
			if strings.Contains(body, wrong) {
				t.Errorf("%s says %q", path, wrong)
			}
		}
	}
}
