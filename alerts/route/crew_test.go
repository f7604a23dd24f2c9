package route

import (
	"reflect"
	"strings"
	"testing"

	"coilward/detect/fault"
)

// Techs and parts come back from how they are kept as they were.
func TestCrewIsKept(t *testing.T) {
	techs := []Member{{ID: "ines", Name: "Ines: \"the\" first", Start: Coordinates{40.44, -79.99}, End: &Coordinates{40.4, -79.9}, TimeZone: "America/New_York",
		Shift: map[string]string{"mon-fri": "06:00-14:30", "sat": "07:00-11:00"}, Skills: []string{"electrician"}, Van: map[string]int{"evaporator fan motor": 2},
		Contacts: []Reach{{"email", "ines@mail.example"}}, Fahrenheit: true}, {ID: "tobias", Start: Coordinates{41, 9}, TimeZone: "UTC", Shift: map[string]string{"sun": "08:00-09:00"}}}
	text, err := TechsJSON(techs)
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParseTechs(text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	a, err := (&Roster{}).WithTechs(techs)
	if err != nil {
		t.Fatal(err)
	}
	b, err := (&Roster{}).WithTechs(back)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Techs) != 2 || a.Techs[0].hours == nil {
		t.Fatal("not read")
	}
	again, _ := TechsJSON(b.Techs)
	if first, _ := TechsJSON(a.Techs); string(first) != string(again) {
		t.Errorf("%s\n%s", first, again)
	}
	parts := DefaultParts()
	text, err = parts.JSON()
	if err != nil {
		t.Fatal(err)
	}
	same, err := ParseParts("kept", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for f := range fault.Num {
		if !reflect.DeepEqual(same.Row(fault.Fault(f)), parts.Row(fault.Fault(f))) {
			t.Errorf("%v: %+v, want %+v", fault.Fault(f), same.Row(fault.Fault(f)), parts.Row(fault.Fault(f)))
		}
	}
	if !reflect.DeepEqual(same.Always(), parts.Always()) {
		t.Errorf("%+v", same.Always())
	}
}

func TestRowsSayWhatIsWrong(t *testing.T) {
	p := DefaultParts()
	for want, r := range map[string]Row{
		"write it like 45m":    {Service: "soon"},
		"neither":              {Licence: "pilot"},
		"needs a name, once":   {Parts: []string{"fuse", "fuse"}},
		"kinds":                {Kinds: map[string]Extra{"boat": {}}},
		"kinds.glass-door: \"": {Kinds: map[string]Extra{"glass-door": {Parts: []string{""}}}},
	} {
		if _, err := p.With(fault.CoilIced, r); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", r, err, want)
		}
	}
	next, err := p.With(fault.CoilIced, Row{Service: "2h", Parts: []string{"heater"}})
	if err != nil || next.Row(fault.CoilIced).Parts[0] != "heater" || p.Row(fault.CoilIced).Parts[0] == "heater" {
		t.Errorf("%v %+v", err, p.Row(fault.CoilIced))
	}
	if got := next.Service([]Job{{Fault: fault.CoilIced}}); got.Hours() != 2 {
		t.Errorf("takes %v", got)
	}
}

func TestVanIsUsedUp(t *testing.T) {
	van := map[string]int{"fuse": 6, "fan blade": 1}
	got := Use(van, map[string]int{"fuse": 2, "fan blade": 3, "gasket": 1})
	if !reflect.DeepEqual(got, map[string]int{"fuse": 4}) || van["fuse"] != 6 {
		t.Errorf("%v from %v", got, van)
	}
}
