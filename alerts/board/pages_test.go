package board

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

func get(t *testing.T, h http.Handler, path string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestEveryPageAnswers(t *testing.T) {
	b := troubled(t).board(t)
	for path, want := range map[string]int{"/": 200, "/alerts": 200, "/alerts/A-000001": 200, "/machines/cab-0403": 200, "/machines/cab-0403?span=7d": 200,
		"/sites/site-01": 200, "/find?q=mill": 200, "/reader": 200, "/static/board.js": 200, "/static/board.css": 200, "/static/nothing": 404,
		"/machines/none": 404, "/sites/none": 404, "/alerts/none": 404, "/nothing": 404} {
		if w := get(t, b, path); w.Code != want {
			t.Errorf("%s: %d, want %d\n%s", path, w.Code, want, w.Body)
		}
	}
}
