package simulate

import (
	"math"
	"sort"
	"time"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Truth is what truly was wrong, for scoring. It is never an input of the
// program. Times ending in _s are seconds since the start.
type Truth struct {
	Set      string         `json:"set"`
	Seed     uint64         `json:"seed"`
	Days     int            `json:"days"`
	Start    string         `json:"start"`
	StartS   int64          `json:"start_s"`
	Machines []MachineTruth `json:"machines"`
	Faults   []string       `json:"faults"`
	Note     string         `json:"note"`
	Lines    int            `json:"lines"`
}

// MachineTruth is the truth of one machine.
type MachineTruth struct {
	Machine    string               `json:"machine"`
	Site       string               `json:"site"`
	Kind       string               `json:"kind"`
	Product    string               `json:"product"`
	Set        string               `json:"set"`
	Channels   []string             `json:"channels"`
	IntervalS  float64              `json:"interval_s"`
	Quant      float64              `json:"quant"`
	Battery    bool                 `json:"battery"`
	Healthy    bool                 `json:"healthy"`
	Limits     map[string]float64   `json:"limits"`
	FrostWell  float64              `json:"frost_block_max_without_fault"`
	Faults     []map[string]any     `json:"faults"`
	DontCare   []map[string]any     `json:"dont_care"`
	Gaps       [][2]float64         `json:"gaps_s"`
	Innocent   map[string]any       `json:"innocent"`
	Hourly     map[string][]float64 `json:"hourly"`
	HoursOver5 *float64             `json:"hours_above_5"`
	Parameters map[string]any       `json:"parameters"`
	Telemetry  map[string]any       `json:"telemetry"`
}

var kindNames = [...]string{"stack-vendor", "glass-front-vendor", "glass-door", "open-front"}
var productNames = [...]string{"sealed-beverage", "dairy", "tcs-food"}
var fanNames = [...]string{"", "continuous", "with-compressor", "door-switched"}

func (m *Machine) iso(t float64) string {
	return time.Unix(int64(m.start)+int64(math.Floor(t)), 0).UTC().Format(time.RFC3339)
}

func round(x, q float64) float64 { return math.Round(x/q) * q }

func hundredth(x float64) float64 { return math.Round(x*100) / 100 }

// truth reports the machine after the last step.
func (m *Machine) truth(days int) MachineTruth {
	d, r := m.Design, m.record
	end := float64(days) * 86400
	t := MachineTruth{Machine: m.ID, Site: m.Site, Kind: kindNames[d.Kind], Product: productNames[d.Product], Set: m.Set, IntervalS: m.Interval,
		Quant: m.sampler.Quant, Battery: m.Link.Battery, Healthy: len(m.Episodes) == 0,
		Limits: map[string]float64{"warm": float64(r.limits.Warm), "cold": float64(r.limits.Cold)}, FrostWell: hundredth(r.twinBlock),
		Faults: []map[string]any{}, DontCare: []map[string]any{}, Gaps: [][2]float64{}}
	for c := range m.sampler.Has.All {
		t.Channels = append(t.Channels, c.String())
	}
	for i := range m.Episodes {
		t.Faults = append(t.Faults, m.episodeTruth(i, end))
	}
	care := func(from, to float64, reason string, faults any) {
		t.DontCare = append(t.DontCare, map[string]any{"faults": faults, "reason": reason, "from": m.iso(from), "to": m.iso(to), "from_s": math.Floor(from), "to_s": math.Ceil(to)})
	}
	for _, o := range r.outs {
		care(o[0]-1200, o[1]+3600, "out of limits without a fault", "*")
	}
	for _, o := range r.ices {
		care(o[0]-1200, o[1]+3600, "coil iced over without a fault", "*")
	}
	for _, o := range r.recover {
		care(o.from, o.to, "recovery", "*")
	}
	restocks, cleanings, blips, turns := [][4]any{}, [][2]any{}, [][2]any{}, [][2]any{}
	for _, ev := range m.place.events {
		switch ev.kind {
		case restock:
			restocks = append(restocks, [4]any{m.iso(ev.at), hundredth((ev.until - ev.at) / 60), hundredth(ev.a), hundredth(ev.b)})
		case cleaning:
			cleanings = append(cleanings, [2]any{m.iso(ev.at), hundredth(ev.a / 60)})
			care(ev.at-60, ev.until+1800, "unplugged for cleaning", []string{"power-lost", "silent", "door-open"})
		case blip:
			blips = append(blips, [2]any{m.iso(ev.at), math.Round(ev.until - ev.at)})
			care(ev.at-60, ev.until+1800, "power blip", []string{"power-lost", "silent"})
		case turned:
			turns = append(turns, [2]any{m.iso(ev.at), hundredth(ev.a)})
		case service:
			care(ev.at-900, ev.until+3600, "service visit", "*")
		}
	}
	outages := [][2]any{}
	for _, v := range m.Link.down {
		outages = append(outages, [2]any{m.iso(v[0]), math.Round(v[1] - v[0])})
		if v[1]-v[0] > 300 {
			care(v[0], v[1]+1800, "link or supply down for a while", []string{"silent", "power-lost"})
		}
	}
	gaps := r.gaps
	if end-r.lastHeard > 1200 {
		gaps = append(gaps, [2]float64{r.lastHeard, end})
	}
	for _, g := range gaps {
		t.Gaps = append(t.Gaps, [2]float64{math.Round(g[0]), math.Round(g[1])})
	}
	waves := [][2]any{}
	for _, v := range m.place.weather.Waves {
		waves = append(waves, [2]any{hundredth(v[0]), hundredth(v[1])})
	}
	defrosts, swaps := [][2]any{}, [][3]any{}
	for _, v := range r.defrosts {
		defrosts = append(defrosts, [2]any{m.iso(v[0]), hundredth((v[1] - v[0]) / 60)})
	}
	for _, v := range m.swaps {
		swaps = append(swaps, [3]any{m.iso(v.to), v.channel.String(), hundredth(v.step)})
	}
	openings := make([]int, days*24) // by the hour
	for _, ev := range m.place.events {
		if h := int(ev.at / 3600); ev.kind == opening && h >= 0 && h < len(openings) {
			openings[h]++
		}
	}
	t.Innocent = map[string]any{"defrosts": defrosts, "sensors_replaced": swaps, "openings": openings, "saver_hours": [2]float64{hundredth(m.place.nightFrom), hundredth(m.place.nightTo)}, "utc_offset_s": m.place.offset, "restocks": restocks, "cleanings": cleanings, "blips": blips, "setpoint_turned": turns, "energy_saver": d.Saver > 0,
		"night_curtain": d.Curtain, "light_schedule": d.LightsOffAtNight, "outages": outages, "heatwaves": waves}
	t.Hourly = map[string][]float64{"warmest": {}, "coldest": {}, "run": {}, "room": {}}
	for _, h := range r.hourly {
		n := math.Max(1, float64(h.n))
		t.Hourly["warmest"] = append(t.Hourly["warmest"], hundredth(h.warm))
		t.Hourly["coldest"] = append(t.Hourly["coldest"], hundredth(h.cold))
		t.Hourly["run"] = append(t.Hourly["run"], hundredth(h.run/n))
		t.Hourly["room"] = append(t.Hourly["room"], hundredth(h.room/n))
	}
	if d.Product != fleet.SealedBeverage {
		x := hundredth(r.tooWarm)
		t.HoursOver5 = &x
	}
	t.Parameters = map[string]any{"refrigerant": d.Refrigerant.name, "volts": d.Volts, "volume": round(d.Volume, 1e-4), "ua_wall": hundredth(d.UAWall), "capacity": hundredth(d.Capacity),
		"load_24": hundredth(d.Load), "cut_in": hundredth(d.CutIn), "cut_out": hundredth(d.CutOut), "stat_on_coil": d.SensorOnCoil, "fan_control": fanNames[d.FanControl],
		"defrost_every_h": d.DefrostEvery / 3600, "defrost_heat": hundredth(d.DefrostHeat), "min_off": d.MinOff, "charge": round(d.Charge, 1e-4),
		"evap_fan": d.EvapFan, "cond_fan": d.CondFan, "cap_product": d.CapProduct, "ua_product": d.UAProduct, "room_base": hundredth(m.place.base), "room_follow": hundredth(m.place.follow)}
	l := m.Link
	t.Telemetry = map[string]any{"loss": l.Loss, "dup": l.Dup, "late": l.Late, "latency": l.Latency, "clock": l.Clock, "relative": l.Relative, "batch": l.Batch, "kelvin": l.Kelvin,
		"milli": l.Milli, "store": l.Store, "onepack": l.OnePack, "lwt": l.LastWill, "prefix": l.Prefix, "frac": l.Frac}
	return t
}

func (m *Machine) episodeTruth(i int, end float64) map[string]any {
	ep, tr := &m.Episodes[i], &m.record.episodes[i]
	f := map[string]any{"fault": ep.Fault.String(), "mode": ep.Mode, "onset": m.iso(ep.Onset), "onset_s": math.Floor(ep.Onset), "ended": nil, "ended_s": nil,
		"preexisting": ep.Preexisting, "shape": ep.Shape.String(), "size": ep.Size, "extra": ep.Extra, "overlaps": false, "limit_at": nil, "limit_s": nil, "limit_side": nil,
		"material_from": nil, "material_s": nil, "limit_shared": false, "out_at_onset": false, "limit_confounded": false}
	if !math.IsInf(ep.End, 1) {
		f["ended"], f["ended_s"] = m.iso(ep.End), math.Floor(ep.End)
	}
	names := []string{}
	for _, a := range aliases(ep, m.sampler.Has, m.Link.Battery) {
		names = append(names, a.String())
	}
	f["aliases"] = names
	sev := [][2]any{}
	for t := ep.Onset; t < math.Min(ep.End, end); t += 6 * 3600 {
		sev = append(sev, [2]any{m.iso(t), math.Round(ep.Severity(t)*1000) / 1000})
	}
	f["severity"] = sev
	for j := range m.Episodes {
		o := &m.Episodes[j]
		if j != i && o.Onset < ep.End && ep.Onset < o.End {
			f["overlaps"] = true
		}
	}
	second := []map[string]any{}
	also := func(name fault.Fault, t float64) {
		if t >= 0 && ep.Fault != name {
			second = append(second, map[string]any{"fault": name.String(), "from": m.iso(t), "from_s": math.Floor(t)})
		}
	}
	material := tr.material
	if ep.Physical() {
		f["frost_block_max"], f["trips"] = hundredth(tr.block), tr.trips
		also(fault.CoilIced, tr.iced)
		also(fault.CompressorNotStarting, tr.tripped)
		f["limit_shared"], f["out_at_onset"], f["limit_confounded"] = tr.shared && tr.limit < 0, tr.outAtOnset, tr.confounded
		if tr.limit >= 0 {
			f["limit_at"], f["limit_s"], f["limit_side"] = m.iso(tr.limit), math.Floor(tr.limit), tr.side
		}
		if ep.Fault == fault.PowerLost && !m.Link.Battery {
			material = ep.Onset // silence itself
		}
		if m.Design.Product != fleet.SealedBeverage {
			f["hours_above_5"] = hundredth(tr.hoursAbove5)
		}
	} else {
		material = ep.Onset
		if ep.Fault == fault.SensorFault {
			f["channel"] = ep.Channel.String()
			if ep.Mode == "swapped" {
				f["other_channel"] = ep.Other.String()
			}
			if ep.Mode == "drift" {
				material = ep.Onset + ep.RampFor*math.Pow(math.Min(1, 2/math.Abs(ep.Size)), 1/ep.Power)
				if material > math.Min(ep.End, end) {
					material = -1
				}
			}
		}
	}
	f["secondary"] = second
	if material >= 0 && material < end {
		f["material_from"], f["material_s"] = m.iso(material), math.Floor(material)
	}
	if ep.Shape == Intermittent {
		var v [][2]string
		for _, x := range ep.Intervals {
			v = append(v, [2]string{m.iso(x[0]), m.iso(math.Min(x[1], end))})
		}
		f["intervals"] = v
	}
	return f
}

func faultNames() []string {
	var v []string
	for f := fault.EvaporatorFanStopped; int(f) < fault.Num; f++ {
		v = append(v, f.String())
	}
	return v
}

// sortMessages puts messages in the order in which the broker got them.
func sortMessages(v []Message) {
	sort.SliceStable(v, func(i, j int) bool { return v[i].Received < v[j].Received })
}
