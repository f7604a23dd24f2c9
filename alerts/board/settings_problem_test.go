package board

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"coilward/collector/fleet"
)

// What is wrong with typed settings is said in the reader's units and the form's
// words, and once for all machines that it is about.
func TestSettingProblemsAreReadable(t *testing.T) {
	american, european := Reader{Fahrenheit: true}, Reader{}
	whole := fleet.Scope{Level: fleet.FleetDefault}
	for _, c := range []struct {
		r        Reader
		at       fleet.Scope
		problems []fleet.Problem
		want     []string
	}{
		{european, whole, []fleet.Problem{{Text: "fleet: limits: tcs-food: cold 93.3333 °C is outside -30 to 30 °C; write the temperature of the product in °C"}},
			[]string{"Cold limit, TCS food: 93.3333 °C is outside -30 to 30 °C; write the temperature of the product in °C"}},
		{american, whole, []fleet.Problem{
			{Text: "fleet: limits: tcs-food: cold 93.3333 °C is outside -30 to 30 °C; write the temperature of the product in °C"},
			{Text: "fleet: alerting: deadband -1.6667 K is outside 0 to 5 K; write a difference in K, such as 0.5"},
			{Text: `fleet: alerting: on_delay: medium "40 days" is no delay; write 90s, 10m or 2h30m`},
		}, []string{
			"Cold limit, TCS food: 200.0 °F is outside −22.0 °F to 86.0 °F; write the temperature of the product in °F",
			"Deadband: −3.0 °F is outside 0.0 °F to 9.0 °F; write a difference in °F, such as 0.9",
			`On-delay, medium: "40 days" is no delay; write 1 min 30 s, 10 min or 2 h 30 min`,
		}},
		{american, whole, []fleet.Problem{
			{Text: `machine "cab-1": deadband 4 K (from fleet) leaves nothing between the limits -1 and 7 °C: product would never count as back; lower it`, Machine: "cab-1"},
			{Text: `machine "cab-2": deadband 4 K (from fleet) leaves nothing between the limits -1 and 7 °C: product would never count as back; lower it`, Machine: "cab-2"},
			{Text: `machine "cab-2": the on-delay of medium, 40m (from fleet), is longer than that of low, 30m; what is more urgent cannot wait longer`, Machine: "cab-2"},
		}, []string{
			"All 2 machines: deadband 7.2 °F (from fleet) leaves nothing between the limits 30.2 °F and 44.6 °F: product would never count as back; lower it",
			"cab-2: the on-delay of medium, 40 min (from fleet), is longer than that of low, 30 min; what is more urgent cannot wait longer",
		}},
		{european, fleet.Scope{Level: fleet.OwnValue, Machine: "cab-1"}, []fleet.Problem{{Text: `machine "cab-1": limits: warm 99 °C is outside -30 to 30 °C; write the temperature of the product in °C`}},
			[]string{"Warm limit: 99 °C is outside -30 to 30 °C; write the temperature of the product in °C"}},
	} {
		got := c.r.settingProblems(c.problems, c.at, 2)
		for i := range got {
			got[i] = strings.ReplaceAll(got[i], nb, " ")
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%q:\n got %q\nwant %q", c.problems, got, c.want)
		}
	}
}

// Two values that contradict each other are said once and marked in the form, but
// only where something was typed.
func TestContradictionIsMarked(t *testing.T) {
	_, b, _ := tunable(t)
	h := &hand{t: t, b: b}
	page := h.post("/settings", url.Values{"at": {"fleet"}, "alerting.on_delay.low": {"20 min"}, "alerting.on_delay.medium": {"50 min"}, "alerting.on_delay.high": {""}, "alerting.deadband": {""}}, http.StatusUnprocessableEntity)
	if n := strings.Count(page, "is longer than that of low"); n != 1 {
		t.Errorf("it is said %d times", n)
	}
	if n := strings.Count(page, `aria-invalid="true"`); n != 2 || !strings.Contains(page, `name="alerting.on_delay.medium" value="50 min" placeholder="10 min" autocomplete="off" aria-describedby="x-alerting_2eon_5fdelay_2emedium-m" aria-invalid="true"`) {
		t.Errorf("%d fields are marked", n)
	}
}
