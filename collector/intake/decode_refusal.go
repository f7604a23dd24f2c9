package intake

import (
	"errors"
	"fmt"
	"strings"

	"coilward/collector"
	"coilward/collector/senml"
)

// WholeMessage stands where a refusal concerns no single record.
const WholeMessage = -1

// Refusal says what of a message was refused, or repaired, and why. Reason is
// what counters count; Error is for the log.
type Refusal struct {
	Reason  collector.Reason
	Record  int    // in its pack, from 0, or WholeMessage
	Channel string // as sent, without its prefix, clipped; the topic for BadTopic

	err   error
	value float64
	unit  string
	scale float64 // what the time was divided by
}

func (d *Decoder) refuse(r Refusal) {
	d.refusals = append(d.refusals, r)
}

// Error says in words what was wrong and what to do. Only a log that is written
// pays for them.
func (r Refusal) Error() string {
	if r.Reason == collector.BadTopic {
		return fmt.Sprintf(`topic %q is not {root}/{site}/{machine}/readings or …/status with ids of letters, digits and "._-"`, r.Channel)
	}
	if r.Record == WholeMessage {
		return fmt.Sprintf("the message is refused: %v", r.err)
	}
	var record *senml.RecordError
	if errors.As(r.err, &record) { // says which record itself
		return record.Error()
	}
	var text strings.Builder
	fmt.Fprintf(&text, "record %d (%q): ", r.Record, r.Channel)
	if r.err != nil {
		text.WriteString(r.err.Error())
		return text.String()
	}
	switch r.Reason {
	case collector.UnknownUnit:
		fmt.Fprintf(&text, "unit %q does not convert to %q", r.unit, r.tableUnit())
	case collector.WrongType:
		if r.tableUnit() == "" {
			text.WriteString("the channel is a boolean: send vb, true or false")
		} else {
			fmt.Fprintf(&text, "the channel is a number in %s: send v", r.tableUnit())
		}
	case collector.Impossible:
		c, _ := collector.ChannelByName(r.Channel)
		info := c.Info()
		fmt.Fprintf(&text, "%v %s is outside %v … %v %s, what a cabinet can be; look at the probe", r.value, r.unit, info.Min, info.Max, info.Unit)
	case collector.Duplicate:
		fmt.Fprintf(&text, "a second value, %v, for one instant; the first was kept", r.value)
	case collector.RepairedTime:
		unit := "milliseconds"
		if r.scale == 1e6 {
			unit = "microseconds"
		}
		fmt.Fprintf(&text, "time %.0f is in %s, taken as such; SenML wants seconds", r.value, unit)
	default:
		fmt.Fprintf(&text, "time %v s is refused, %s; set the clock of the sender", r.value, r.Reason)
	}
	return text.String()
}

// tableUnit returns the unit of a known channel.
func (r *Refusal) tableUnit() string {
	c, _ := collector.ChannelByName(r.Channel)
	return c.Info().Unit
}

// clip keeps what a sender may put into our logs short.
func clip(s string) string {
	const longest = 128
	if len(s) > longest {
		return strings.ToValidUTF8(s[:longest], "") + "…"
	}
	return s
}

// labelOf returns the channel's name in a form that outlives the payload.
func labelOf(name []byte) string {
	name = channelName(name)
	return clip(string(name[:min(len(name), 256)]))
}
