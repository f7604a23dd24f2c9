package route

import "testing"

func TestGeo(t *testing.T) {
	for want, p := range map[string]Point{"geo:0,10": {-0.0000001, 10}, "geo:40.44,-79.99": {40.44, -79.99}} {
		if got := p.Geo(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
