package board

import (
	"context"
	"fmt"
	"math"
	"time"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect"
)

// strips are a machine's last hours or days, one below the other on one time
// axis.
type strips struct {
	window
	Machine  string
	Axis     []tick
	Strips   []strip
	Means    string // lines are means over so long; "" they are not
	Untraced bool   // what the models estimated is left out
	Missing  string // why there is nothing to draw
	Data     crossData
	Columns  int
	Zone     string
}

type spanChoice struct {
	Label, URL string
	Chosen     bool
}

// strip is one chart or ribbon.
type strip struct {
	ID     string
	Title  string
	Unit   string
	Ribbon bool
	Band   string // expected air, a closed path
	Spread string // product's uncertainty, a closed path
	Lines  []stripLine
	Grid   []gridLine
	Limits []gridLine
	Pins   []pin
	Blocks []block
	Says   string // what a ribbon adds up to
}

type stripLine struct {
	Index  int // among the crosshair's lines
	Name   string
	Class  string
	Path   string
	Range  string // least to greatest of each column, a closed path; "" the path shows it
	Filled bool
	Newest string
}

type gridLine struct{ Y, Label string }

// pin is a number of the evidence list at the time from which it holds.
type pin struct{ X, Number, Label string }

// block is a piece of ordinary life on the timeline.
type block struct{ X, W, Label string }

// crossData is what the crosshair reads: one value a column and line.
type crossData struct {
	Times []string    `json:"times"`
	Lines []crossLine `json:"lines"`
}

type crossLine struct {
	Strip  string   `json:"strip"`
	Name   string   `json:"name"`
	Unit   string   `json:"unit"`
	Values []figure `json:"values"`
}

// figure is a number of the crosshair; NaN is null.
type figure struct {
	v      float64
	digits int
}

func (f figure) MarshalJSON() ([]byte, error) {
	if math.IsNaN(f.v) {
		return []byte("null"), nil
	}
	return fmt.Appendf(nil, "%.*f", f.digits, f.v), nil
}

// group is which channels share a strip.
type group struct {
	id, title string
	channels  []collector.Channel
	digits    int
}

var groups = []group{
	{"air", "Air and product", []collector.Channel{collector.CabinetAir}, 1},
	{"coil", "Coil and supply air", []collector.Channel{collector.SupplyAir, collector.CoilIn, collector.CoilOut}, 1},
	{"condenser", "Condenser and surroundings", []collector.Channel{collector.Condenser, collector.CompressorShell, collector.Ambient}, 1},
	{"currents", "Currents", []collector.Channel{collector.CompressorCurrent, collector.MainsCurrent}, 2},
	{"fans", "Fan currents", []collector.Channel{collector.EvapFanCurrent, collector.CondFanCurrent}, 2},
	{"speeds", "Fan speeds", []collector.Channel{collector.EvapFanSpeed, collector.CondFanSpeed}, 0},
	{"supply", "Supply voltage", []collector.Channel{collector.MainsVoltage}, 0},
	{"humidity", "Humidity", []collector.Channel{collector.Humidity}, 0},
}

// record is the readings and the trace of a frame, brought down to columns.
type record struct {
	frame
	over      time.Duration // broad lines are means over so long
	overWords string
	channels  [collector.NumChannels]*envelope
	airLow    *envelope
	airHigh   *envelope
	product   *envelope
	spread    [2]*envelope // product low, high
	running   duty
	tripped   duty
	door      duty
	call      duty
	gap       int // columns without data that break a line
	readings  int
	summed    bool // some of it is known as ranges and means only
	traced    int
}

// broadColumn is the column width from which a line is the mean of the hour
// around, drawn over its range: below it a column is less than a cycle of the
// compressor.
const broadColumn = 4 * time.Minute

// broad reports whether lines are means.
func (rec *record) broad() bool { return rec.summed || rec.width() >= broadColumn }

// around is over how many columns a line is a mean.
func (rec *record) around() float64 {
	if !rec.broad() {
		return 1
	}
	return float64(rec.over) / float64(rec.width())
}

// longestHold is how long a state is taken to last without a reading.
const longestHold = 15 * time.Minute

// scale converts a stored value into the reader's unit.
func (r Reader) scaled(c collector.Channel, v float64) float64 {
	if c.IsTemperature() {
		return r.scale(quantity.Celsius(v))
	}
	return v
}

func (b *Board) record(ctx context.Context, machine string, w *window, r Reader) (*record, error) {
	rec := &record{frame: w.frame, over: w.over, overWords: w.overWords, airLow: newEnvelope(), airHigh: newEnvelope(), product: newEnvelope(),
		spread: [2]*envelope{newEnvelope(), newEnvelope()}}
	if err := rec.read(ctx, b.history, machine, r); err != nil {
		return nil, err
	}
	if err := rec.readOld(ctx, b.history, machine, r); err != nil {
		return nil, err
	}
	if w.span > longestTrace {
		return rec, nil
	}
	points, err := b.models.Trace(ctx, machine, w.from, w.to)
	if err != nil {
		return nil, fmt.Errorf("model trace of %s: %w", machine, err)
	}
	rec.trace(points, r)
	return rec, nil
}

func (rec *record) read(ctx context.Context, h History, machine string, r Reader) error {
	var before collector.Millis
	var steady time.Duration // sum of ordinary gaps, for the usual interval
	var door, call struct {
		at collector.Millis
		so bool
	}
	hold := func(d *duty, s *struct {
		at collector.Millis
		so bool
	}, at collector.Millis, so bool) {
		if s.at != 0 && at.Sub(s.at) <= longestHold {
			d.add(rec.frame, s.at.Time(), at.Time(), s.so)
		}
		s.at, s.so = at, so
	}
	for reading, err := range h.Readings(ctx, machine, rec.from, rec.to) {
		if err != nil {
			return fmt.Errorf("history of %s: %w", machine, err)
		}
		col, ok := rec.column(reading.At.Time())
		if !ok || reading.Has == 0 {
			continue
		}
		for c := range reading.Has.All {
			switch v := reading.Value[c]; c {
			case collector.Door:
				hold(&rec.door, &door, reading.At, v != 0)
			case collector.CompressorCall:
				hold(&rec.call, &call, reading.At, v != 0)
			default:
				if rec.channels[c] == nil {
					rec.channels[c] = newEnvelope()
				}
				rec.channels[c].add(col, r.scaled(c, v))
			}
		}
		if gap := reading.At.Sub(before); before != 0 && gap > 0 && gap <= longestHold {
			steady += gap
		}
		before = reading.At
		rec.readings++
	}
	interval := time.Minute
	if rec.readings > 1 {
		interval = max(interval, steady/time.Duration(rec.readings-1))
	}
	rec.gap = 1 + int(math.Ceil(float64(3*interval)/float64(rec.width())))
	return nil
}

func (rec *record) trace(points []detect.TracePoint, r Reader) {
	for i, p := range points {
		col, ok := rec.column(p.At.Time())
		if !ok {
			continue
		}
		rec.traced++
		rec.airLow.add(col, r.scale(p.AirLow))
		rec.airHigh.add(col, r.scale(p.AirHigh))
		rec.product.add(col, r.scale(p.Product))
		rec.spread[0].add(col, r.scale(p.ProductLow))
		rec.spread[1].add(col, r.scale(p.ProductHigh))
		if i+1 < len(points) && p.Run != detect.RunUnknown {
			if next := points[i+1].At; next.Sub(p.At) <= longestHold {
				rec.running.add(rec.frame, p.At.Time(), next.Time(), p.Run == detect.Running)
				rec.tripped.add(rec.frame, p.At.Time(), next.Time(), p.Run == detect.Tripped)
			}
		}
	}
}
