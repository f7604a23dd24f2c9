package board

import (
	"strings"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/detect"
)

// liveFor is how old the newest word of a machine may be and still tell of its
// product now.
const liveFor = 30 * time.Minute

// liveOf is the product as it is measured now; unknown of a machine that is silent.
func liveOf(v detect.View, now time.Time) alerts.Live {
	if !v.HasProduct || now.Sub(v.LastHeard.Time()) > liveFor {
		return alerts.Live{}
	}
	return alerts.Live{Known: true, Product: v.ProductTemperature}
}

// whyNow is the reason for an alert's priority as it is now, with what is measured
// now.
func (b *Board) whyNow(a *alerts.Alert, now time.Time) string {
	if a.Basis == (alerts.Reason{}) {
		return a.Why // an older program wrote it, without the facts
	}
	return a.WhyAt(collector.MillisOf(now), b.liveOfAlert(a, now))
}

func (b *Board) liveOfAlert(a *alerts.Alert, now time.Time) alerts.Live {
	if a.Machine == "" {
		return alerts.Live{}
	}
	v, heard := b.models.View(a.Machine)
	if !heard {
		return alerts.Live{}
	}
	return liveOf(v, now)
}

// titleOf names every fault of a machine's alert.
func titleOf(a *alerts.Alert) string {
	var also []string
	for _, f := range a.Others() {
		also = append(also, f.Title())
	}
	if len(also) == 0 {
		return a.Fault.Title()
	}
	return a.Fault.Title() + "; also " + strings.Join(also, ", ")
}

// limitWords say when product leaves its limit, or since when it has.
func (b *Board) limitWords(r Reader, a *alerts.Alert, now time.Time, loc *time.Location) string {
	at := a.LimitAt
	past := "past its limit since "
	if a.Basis != (alerts.Reason{}) {
		f := a.Basis.Facts(collector.MillisOf(now), b.liveOfAlert(a, now))
		switch f.Standing {
		case alerts.Over, alerts.Frozen:
			if f.OutSince != 0 {
				at = f.OutSince
			}
			if at == 0 || at.Time().After(now) {
				return "past its limit"
			}
		case alerts.Expected:
			past = "by the forecast past its limit since "
		case alerts.TimeLeft:
			if f.Left <= 0 {
				return "still within its limit"
			}
		default:
			return ""
		}
	}
	if at == 0 {
		return ""
	}
	if left := at.Time().Sub(now); left > 0 {
		return span(left) + " left, " + r.moment(at.Time(), now, loc)
	}
	return past + r.moment(at.Time(), now, loc)
}
