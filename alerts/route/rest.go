package route

import (
	"math"
	"slices"
)

// piece is a straight stretch of a function of time: y + m·(t − x) from x on, as far
// as the next piece. At x itself the piece before it holds.
type piece struct{ x, y, m float64 }

// ramp is a function of time in pieces, in order of x.
type ramp []piece

// at is the value at t, no earlier than the first piece.
func (f ramp) at(t float64) float64 {
	i := 0
	for i+1 < len(f) && f[i+1].x < t {
		i++
	}
	return f[i].y + f[i].m*(t-f[i].x)
}

// never is before all times that a plan can be about, seconds.
const never = -1e15

// lost is the sum of losses as a ramp.
func lost(losses []loss) ramp {
	var breaks []float64
	for _, l := range losses {
		if l.perSecond != 0 {
			breaks = append(breaks, 0)
		}
		if l.amount != 0 {
			breaks = append(breaks, l.early, max(l.early, l.late))
		}
	}
	slices.Sort(breaks)
	f := ramp{{x: never}}
	for _, x := range slices.Compact(breaks) {
		p := piece{x: x}
		for _, l := range losses {
			if x >= 0 {
				p.y += l.perSecond * x
				p.m += l.perSecond
			}
			switch {
			case l.amount == 0 || x < l.early:
			case x >= l.late:
				p.y += l.amount
			default:
				p.y += l.amount * (x - l.early) / (l.late - l.early)
				p.m += l.amount / (l.late - l.early)
			}
		}
		f = append(f, p)
	}
	return f
}

// rest knows what the rest of a route costs, from each position on, as a function of
// the arrival there: a stop put in ahead of it is then weighed without driving the rest
// again (Ibaraki et al. 2005, Transportation Science 39, for general costs of time;
// from memory).
type rest struct {
	tails  []tail
	pieces []piece // of all tails
	begin  []piece // scratch
}

// tail is the rest from a position: all that is paid from the arrival there on. It is
// known for arrivals no earlier than from; after until a rule is broken.
type tail struct {
	first, end  int // pieces
	from, until float64
}

// edge is how near to until an arrival is judged by driving the route, seconds: there
// the last digit decides.
const edge = 1e-6

// cost is what a tail costs after an arrival at t. ok is false where it is not known.
func (x *rest) cost(p int, t float64) (c float64, ok bool) {
	l := &x.tails[p]
	switch {
	case t > l.until+edge:
		return math.Inf(1), true
	case t < l.from || t > l.until-edge:
		return 0, false
	}
	return ramp(x.pieces[l.first:l.end]).at(t), true
}

// join is the cost of a route of a van that has come to s and goes on with route[p:],
// whose states and rests are before and after; +Inf when a rule is broken, and where it
// is no less than limit it may be.
func (k *kernel) join(v *van, s state, route []int, p int, before []state, after *rest, limit float64) float64 {
	if v.capacity > 0 && s.load+before[len(route)].load-before[p].load > v.capacity {
		return math.Inf(1)
	}
	if next := v.end; p < len(route) || !v.openEnd {
		if p < len(route) {
			next = route[p]
		}
		arc := &k.arcs[s.at*k.nodes+next]
		if c, ok := after.cost(p, s.ready+arc.seconds); ok {
			return s.cost + arc.money + c
		}
	}
	return k.onwards(v, s, route[p:], limit)
}

// follow works out the tails of a route, whose states are before.
func (k *kernel) follow(v *van, route []int, before []state, x *rest) {
	n := len(route)
	x.tails = slices.Grow(x.tails[:0], n+1)[:n+1]
	x.pieces = x.pieces[:0]
	last := tail{from: before[n].ready, until: v.limit, end: 1}
	if !v.openEnd {
		last.from += k.arcs[before[n].at*k.nodes+v.end].seconds
	}
	if last.from < v.until {
		x.pieces = append(x.pieces, piece{x: last.from}, piece{x: v.until, m: k.overtime})
		last.end = 2
	} else {
		x.pieces = append(x.pieces, piece{last.from, (last.from - v.until) * k.overtime, k.overtime})
	}
	x.tails[n] = last
	for p := n - 1; p >= 0; p-- {
		next, stop := v.end, &k.stops[route[p]]
		if p+1 < n {
			next = route[p+1]
		}
		delay, money := stop.service, 0.0
		if p+1 < n || !v.openEnd {
			arc := route[p]*k.nodes + next
			delay += k.arcs[arc].seconds
			money = k.arcs[arc].money
		}
		from := before[p].ready + k.arcs[before[p].at*k.nodes+route[p]].seconds
		x.tails[p] = x.ahead(x.tails[p+1], stop, from, delay, money)
	}
}

// ahead is the tail that begins with an arrival at a stop no earlier than from, and goes
// on with after: delay later than the work begins, for money.
func (x *rest) ahead(after tail, stop *node, from, delay, money float64) tail {
	at, _ := stop.begin(from)
	until := max(at, after.until-delay)
	x.begin = x.begin[:0]
	later, own, i, j := x.pieces[after.first:after.end], stop.lost, 0, 0
	for j+1 < len(own) && own[j+1].x < at {
		j++
	}
	for b := at; ; {
		f, l := later[i], own[j]
		x.begin = append(x.begin, piece{b, money + f.y + f.m*(b+delay-f.x) + l.y + l.m*(b-l.x), f.m + l.m})
		b = until
		if i+1 < len(later) {
			b = min(b, later[i+1].x-delay)
		}
		if j+1 < len(own) {
			b = min(b, own[j+1].x)
		}
		if b >= until {
			break
		}
		if i+1 < len(later) && later[i+1].x-delay <= b {
			i++
		}
		if j+1 < len(own) && own[j+1].x <= b {
			j++
		}
	}
	t := tail{first: len(x.pieces), from: from, until: until}
	if len(stop.windows) == 0 {
		x.pieces = append(x.pieces, x.begin...)
	} else {
		t.until = x.wait(stop.windows, from, until)
	}
	t.end = len(x.pieces)
	return t
}

// wait appends what an arrival costs, given what a beginning costs: whoever is early
// waits for the window. It returns the last arrival that is not too late.
func (x *rest) wait(windows []span, from, until float64) float64 {
	begin, first := ramp(x.begin), len(x.pieces)
	t := from
	for _, w := range windows {
		if w.to < from {
			continue
		}
		if w.from > until {
			break
		}
		if t < w.from {
			x.pieces = append(x.pieces, piece{x: t, y: begin.at(w.from)})
			t = max(t, min(w.from, w.to))
		}
		to := min(w.to, until)
		for i, p := range begin {
			if p.x >= to {
				break
			}
			if i+1 < len(begin) && begin[i+1].x <= t {
				continue
			}
			if p.x < t {
				p = piece{t, p.y + p.m*(t-p.x), p.m}
			}
			x.pieces = append(x.pieces, p)
		}
		t = max(t, to)
	}
	if len(x.pieces) == first {
		x.pieces = append(x.pieces, piece{x: from, y: begin[0].y})
	}
	return t
}
