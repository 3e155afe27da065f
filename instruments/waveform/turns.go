package waveform

import "math"

// instant is when a gate passed its threshold. The zero value is an end of the record.
type instant struct {
	of      *gate
	at      float64 // s
	perCode float64 // samples a code there
	rising  bool
}

// instant is when the next crossing happens.
func (g *gate) instant() instant {
	// A trace that stands still at the threshold: anywhere in the record.
	perCode := g.next.perCode
	if most := float64(g.t.Len()) / max(g.noise, g.resolution); perCode > most {
		perCode = most
	}
	return instant{of: g, at: float64(g.t.when(g.next.at)), perCode: perCode, rising: g.next.rising}
}

// late is what interpolation did to it, in samples.
func (x instant) late() lateness {
	share := x.of.share
	if !x.rising {
		share = 1 - share
	}
	return latenessAt(share, x.perCode*x.of.swing)
}

// lapse is the time between two instants, in seconds: of a dead time, or of an overlap.
type lapse struct{ from, to instant }

func (s lapse) lasts() float64 { return s.to.at - s.from.at }

// tooLong is by how much it comes out too long in the mean over the shapes that edges have.
func (s lapse) tooLong() (seconds float64) {
	if s.to.of != nil {
		seconds += s.to.late().middle() * float64(s.to.of.t.Step)
	}
	if s.from.of != nil {
		seconds -= s.from.late().middle() * float64(s.from.of.t.Step)
	}
	return seconds
}

// fixed is what is off in the same way in all stretches of a record.
func (s lapse) fixed() (u budget) {
	for _, x := range []instant{s.from, s.to} {
		if x.of == nil {
			continue
		}
		g, step := x.of, float64(x.of.t.Step)
		u.within(g.gain * x.perCode * step)
		u.within(g.offset * x.perCode * step)
		u.within(x.late().half() * step)
		if x.perCode*g.resolution > 1 { // several samples a code: without noise, all edges cross where the code changes
			u.within(x.codeChange() * x.perCode * step)
		}
	}
	return u
}

// codeChange is how far from a level, in codes, the samples of a slow edge pass it.
func (x instant) codeChange() float64 {
	if x.of.noise > 0.54*x.of.resolution { // more than two codes that toggle
		return quantised(x.of.noise, x.of.resolution)
	}
	return x.of.resolution / 2
}

// alone are the standard deviations that noise and sampling give to one lapse.
func (s lapse) alone() (noise, sampling float64) {
	for _, x := range []instant{s.from, s.to} {
		if x.of == nil {
			continue
		}
		g, step := x.of, float64(x.of.t.Step)
		noise = quadrature(noise, g.noise*x.perCode*step)
		sampling = quadrature(sampling, x.late().scatter*step, g.resolution/math.Sqrt(12)*x.perCode*step)
	}
	return noise, sampling
}

// takeover gathers one kind of changeover.
type takeover struct {
	dead           tally
	shortest       lapse
	longest        lapse
	perFrom, perTo tally
	turns          [2]turned

	overlaps int
	worst    lapse
	openEnd  bool
}

// turned sums up positions between two samples, one turn a sample.
type turned struct{ cos, sin float64 }

func (t *turned) add(x instant) {
	sin, cos := math.Sincos(2 * math.Pi * x.at / float64(x.of.t.Step))
	t.cos += cos
	t.sin += sin
}

func (k *takeover) add(dead lapse) {
	if k.dead.n == 0 || dead.lasts() < k.shortest.lasts() {
		k.shortest = dead
	}
	if k.dead.n == 0 || dead.lasts() > k.longest.lasts() {
		k.longest = dead
	}
	k.dead.add(dead.lasts())
	k.perFrom.add(dead.from.perCode)
	k.perTo.add(dead.to.perCode)
	k.turns[0].add(dead.from)
	k.turns[1].add(dead.to)
}

func (k *takeover) addOverlap(s lapse, open bool) {
	k.overlaps++
	if k.overlaps == 1 || s.lasts() > k.worst.lasts() {
		k.worst, k.openEnd = s, open
	}
}

// typical is a lapse with the steepness that the edges have in the mean.
func (k *takeover) typical() lapse {
	s := k.shortest
	s.from.perCode, s.to.perCode = k.perFrom.mean(), k.perTo.mean()
	return s
}

// locked tells how alike the positions of the samples are in all of them, as transition.locked does.
func (k *takeover) locked() float64 {
	n := float64(k.dead.n)
	return max(math.Hypot(k.turns[0].cos, k.turns[0].sin), math.Hypot(k.turns[1].cos, k.turns[1].sin)) / n
}

func (k *takeover) changeover(skew float64) Changeover {
	c := Changeover{Count: k.dead.n, Overlaps: k.overlaps, WorstOverlap: k.worstOverlap(skew)}
	if k.dead.n == 0 {
		none := undecided("capture a record that holds this changeover", "no changeover of this direction in the record")
		c.Shortest, c.Longest, c.Mean = none, none, none
		return c
	}
	typical := k.typical()
	noise, sampling := typical.alone()
	u := typical.fixed()
	u.scatters(skew)
	u.scatters(repeated(k.dead, noise, sampling, k.locked()))
	c.Mean = stated(k.dead.mean()-typical.tooLong(), u)
	reach := extremeOf(float64(k.dead.n))
	c.Shortest = k.shortest.bound(skew, reach)
	c.Longest = k.longest.bound(skew, -reach)
	return c
}

// bound states a lapse that was picked as an extreme: noise and sampling have made it shorter (reach above zero) or longer by
// anything from nothing to reach standard deviations.
func (s lapse) bound(skew, reach float64) Measure {
	noise, sampling := s.alone()
	scatter := quadrature(noise, sampling)
	u := s.fixed()
	u.scatters(skew)
	u.scatters(scatter)
	value := s.lasts() - s.tooLong()
	m := stated(value+reach*scatter/2, u)
	m.U += math.Abs(reach) * scatter / 2
	return m
}

func (k *takeover) worstOverlap(skew float64) Measure {
	if k.overlaps == 0 {
		return undecided("none needed", "no overlap in the record")
	}
	m := k.worst.bound(skew, -extremeOf(float64(k.overlaps)))
	if k.openEnd {
		m.AtLeast = m.Value
	}
	return m
}

// extremeOf is about how many standard deviations the greatest of n normal values lies above their mean.
//
// Source: G. Blom, Statistical estimates and transformed beta-variables, 1958: the quantile at (n-0.375)/(n+0.25).
func extremeOf(n float64) float64 {
	if n <= 1 {
		return 0
	}
	return math.Sqrt2 * math.Erfinv(2*(n-0.375)/(n+0.25)-1)
}
