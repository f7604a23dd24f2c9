package visit

import (
	"cmp"
	"math"
	"slices"

	"coilward/detect"
	"coilward/detect/fault"
)

// Belief is the probability of each cause, Well included: the machine may be in
// order. It sums to 1.
type Belief [fault.Num]float64

// surprise is how probable it stays, however sure the models are, that what a tech
// finds is something else: held-out faults were named right at once in 81 to 90 of
// 100 cases, whatever the models' own probability. A probability of 0 could never be
// moved by any evidence.
const surprise = 0.1

// Prior turns the candidates of a finding into a belief. What they leave of 1,
// at least surprise, is spread evenly over all causes.
func Prior(candidates []detect.Candidate) Belief {
	var b Belief
	sum := 0.0
	for _, c := range candidates {
		if c.Probability > 0 && b[c.Fault] == 0 {
			b[c.Fault] = c.Probability
			sum += c.Probability
		}
	}
	rest := max(surprise, 1-sum)
	for i := range b {
		if sum > 0 {
			b[i] *= (1 - rest) / sum
		}
		b[i] += rest / float64(len(b))
	}
	if sum <= 0 {
		for i := range b {
			b[i] = 1 / float64(len(b))
		}
	}
	return b
}

// After is the belief once an answer is known: Bayes' rule.
func (b Belief) After(a *Answer) Belief {
	sum := 0.0
	for i := range b {
		b[i] *= a.Likelihood[i]
		sum += b[i]
	}
	for i := range b {
		b[i] /= sum
	}
	return b
}

// Chance is how probable an answer is.
func (b Belief) Chance(a *Answer) float64 {
	p := 0.0
	for i := range b {
		p += b[i] * a.Likelihood[i]
	}
	return p
}

// Entropy is what is not known, in bits (Shannon 1948): 0 when one cause is
// certain, log2 n when n are equally probable.
func (b Belief) Entropy() float64 {
	h := 0.0
	for _, p := range b {
		if p > 0 {
			h -= p * math.Log2(p)
		}
	}
	return h
}

// Gain is how many bits a check is expected to tell: the entropy now less the
// mean over its answers (mutual information; Lindley 1956, from memory). It is
// never negative.
func (b Belief) Gain(c *Check) float64 {
	left := 0.0
	for i := range c.Answers {
		a := &c.Answers[i]
		left += b.Chance(a) * b.After(a).Entropy()
	}
	return max(0, b.Entropy()-left)
}

// Ranked are the causes, the most probable first.
func (b Belief) Ranked() []detect.Candidate {
	out := make([]detect.Candidate, len(b))
	for i, p := range b {
		out[i] = detect.Candidate{Fault: fault.Fault(i), Probability: p}
	}
	slices.SortStableFunc(out, func(x, y detect.Candidate) int { return cmp.Compare(y.Probability, x.Probability) })
	return out
}
