package notify

import (
	"context"
	"slices"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// foldAbove messages to one person in 10 min the rest comes as one: twice what the
// standard calls manageable, and well under its flood.
const foldAbove = 2 * alerts.LoadManageable

// foldGap is how long after the n-th folded message of a shift the next may come:
// a flood does not end sooner for being told of more often.
func foldGap(n int) time.Duration {
	gap := time.Duration(alerts.LoadWindow)
	for ; n > 1 && gap < longestGap; n-- {
		gap *= 3
	}
	return min(gap, longestGap)
}

const longestGap = 90 * time.Minute

// calm keeps each person under the flood mark: what is more than they can read is
// folded into one message, and the next such comes 10 min later, then 30 min, then
// 90 min. A few critical ones go through on their own.
func (l *Loop) calm(ctx context.Context, ms []ledger.Message) ([]ledger.Message, error) {
	now := l.o.Now()
	type reader struct{ person, to string }
	var order []reader
	by := map[reader][]ledger.Message{}
	for _, m := range ms {
		r := reader{m.Person, m.To}
		if by[r] == nil {
			order = append(order, r)
		}
		by[r] = append(by[r], m)
	}
	var out []ledger.Message
	for _, r := range order {
		shift, err := l.o.Outbox.SentTo(ctx, r.person, now.Add(-alerts.ShiftLength), now.Add(time.Millisecond))
		if err != nil {
			return nil, err
		}
		shift = slices.DeleteFunc(shift, func(m ledger.Message) bool { return m.To != r.to })
		sent, folds := 0, 0
		var last time.Time // of a folded message
		for _, m := range shift {
			if now.Sub(m.Sent) <= alerts.LoadWindow {
				sent++
			}
			if isFold(m.Key) {
				folds, last = folds+1, m.Sent
			}
		}
		next := last.Add(foldGap(folds))
		waiting := by[r]
		if sent+len(waiting) <= foldAbove && (folds == 0 || len(waiting) < foldAbove/2 || !now.Before(next)) {
			out = append(out, waiting...)
			continue
		}
		room := max(0, alerts.FloodEnds-sent)
		var rest []ledger.Message
		for _, m := range waiting {
			switch {
			case isFold(m.Key):
				out = append(out, m)
			case m.Priority == alerts.Critical && room > 0:
				out = append(out, m)
				room--
			default:
				rest = append(rest, m)
			}
		}
		switch {
		case len(rest) == 0:
		case folds > 0 && now.Before(next):
			for _, m := range rest {
				if err := l.o.Outbox.Delay(ctx, m.Key, next); err != nil {
					return nil, err
				}
			}
		case len(rest) == 1:
			out = append(out, rest[0])
		default:
			one, keys := l.together(rest, now, foldGap(folds+1))
			if err := l.o.Outbox.Fold(ctx, keys, one); err != nil {
				return nil, err
			}
			l.count.WithLabelValues(one.Channel, "folded").Add(float64(len(keys)))
			out = append(out, one)
		}
	}
	return out, nil
}

const foldPrefix = "flood/"

func isFold(key string) bool {
	return len(key) > len(foldPrefix) && key[:len(foldPrefix)] == foldPrefix
}

// together makes one message of many. Its key follows from theirs.
func (l *Loop) together(ms []ledger.Message, now time.Time, next time.Duration) (ledger.Message, []string) {
	keys := make([]string, len(ms))
	one := ledger.Message{Person: ms[0].Person, Channel: ms[0].Channel, To: ms[0].To, Made: now, Due: now}
	for i, m := range ms {
		keys[i] = m.Key
		one.Priority = max(one.Priority, m.Priority)
	}
	one.Subject, one.Text = l.o.Writer.Fold(one.Person, one.Channel, ms, next)
	one.Again = ms[0].Again
	one.Key = foldPrefix + digest(keys...)
	return one, keys
}
