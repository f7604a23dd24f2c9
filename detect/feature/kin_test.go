package feature

import "testing"

// Every level of every profile has a name of its own, or what is known of one
// would be taken for another.
func TestLevelsHaveNamesOfTheirOwn(t *testing.T) {
	seen := map[string]bool{}
	for p, words := range levelWords {
		if words == "" {
			t.Errorf("profile %v has no words", ID(p))
		}
		for b := range bins {
			for _, whole := range []bool{false, true} {
				n := new(Tracker).levelName(ID(p), b, whole)
				if seen[n] && (ID(p) == Current || !whole) {
					t.Errorf("two levels are called %q", n)
				}
				seen[n] = true
			}
		}
	}
}
