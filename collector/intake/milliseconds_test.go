package intake_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A machine that counts milliseconds where seconds belong is heard as it means
// it, and the operator is told once an hour which machine it is and what to set.
func TestMillisecondsAreTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, &shelf{}, nil)
		for i := range 50 {
			received := start.Add(time.Duration(i) * time.Minute)
			payload := fmt.Sprintf(`[{"bt":%d,"n":"cabinet_air","u":"Cel","v":%d.5}]`, int64(received), i%7)
			b.Handle(b.message("cab-0007", i, payload))
		}
		synctest.Wait()
		if err := b.end(); err != nil {
			t.Fatal(err)
		}
		if len(b.next) != 50 || b.next[49].At != start.Add(49*time.Minute) {
			t.Fatalf("%d readings reach the models", len(b.next))
		}
		log := b.log.String()
		if n := strings.Count(log, `"reason":"repaired_time"`); n == 0 || n > 2 {
			t.Errorf("told %d times in 50 minutes\n%s", n, log)
		}
		for _, want := range []string{`"machine":"cab-0007"`, "is in milliseconds", "SenML wants seconds"} {
			if !strings.Contains(log, want) {
				t.Errorf("no %s in %s", want, log)
			}
		}
	})
}
