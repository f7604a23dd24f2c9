package detect

import "math"

// suspicion is the sequential test on the probability of trouble: a cumulative
// sum of its log odds over what is wanted before a finding is raised
// (Page 1954). A probability that flickers over the mark for a moment raises
// nothing, one far over it does within minutes.
type suspicion float32

const (
	// enough is the sum at which a finding is raised where nothing presses, nat·min:
	// half an hour of certainty. Most of what is found wrongly is gone by then.
	enough = 200
	// enoughAtOnce is the same where the air is already outside the product's
	// limits: there is no time to be surer.
	enoughAtOnce = 15
	// enoughOfProbe is the same where a probe or a wire leads, whose finding sends
	// nobody out by night: it is looked at with the next visit, and what the machine
	// says by it is worth nothing meanwhile.
	enoughOfProbe = 40
	// watching is the share of the time that the product has left, at worst, that
	// may be spent on being surer.
	watching = 0.05
	// slack is how far the odds may lie under those wanted and still count, nats.
	slack = 2.1
	// surest and soothing bound what one minute can add and take, nats.
	surest   = 7
	soothing = 3
	// least is the probability of trouble below which nothing is raised however
	// long it lasts.
	least = 0.7
)

// take adds a look at probability p of trouble, wanted being the probability
// at which to raise, and reports whether it comes to what is needed.
func (s *suspicion) take(p, wanted, needed float64) bool {
	mark := logit(wanted) - slack
	odds := math.Min(logit(p), math.Max(surest, mark+1.5))
	add := math.Max(odds-mark, -soothing) * lookEvery / 60000
	*s = suspicion(math.Min(math.Max(float64(*s)+add, 0), 2*enough))
	return float64(*s) >= needed && p >= least
}

// needed is the sum at which a finding is raised when the product has so long
// left at worst, minutes.
func needed(left float64) float64 {
	return math.Min(math.Max(left*watching*surest, enoughAtOnce), enough)
}

func logit(p float64) float64 {
	p = math.Min(math.Max(p, 1e-6), 1-1e-6)
	return math.Log(p / (1 - p))
}
