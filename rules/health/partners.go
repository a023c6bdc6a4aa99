package health

import (
	"fmt"
	"math"

	"ashlamp/rules/saturation"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// places in Monitor.steady.
const (
	fireboxLow = iota
	smokeboxLow
	smokeboxCold
	glassAlone
	pipeAlone
	pressureCold
)

// follow keeps what belongs to a channel's newest value: what its partners read when
// it last changed, and whether the boiler was emptied since steam was up.
func (m *Monitor) follow(c *channel, at track.Instant) {
	if c.sameN == 1 {
		for i, p := range m.partners(c) {
			c.then[i] = math.NaN()
			if v, ok := m.fresh(p, at); ok {
				c.then[i] = v
			}
		}
	}
	if c == m.pipe {
		if c.pastN == 1 {
			m.coldPipe = 0 // it was not watched
		}
		if c.value > m.boiling(at)-PipeColdK {
			m.ran, m.coldPipe = true, 0
		} else if m.coldPipe == 0 {
			m.coldPipe = at
		}
	}
}

// partners are the channels that a channel must move with.
func (m *Monitor) partners(c *channel) [2]*channel {
	var shell [2]*channel
	n := 0
	for _, s := range m.shells {
		if s != c && n < 2 {
			shell[n] = s
			n++
		}
	}
	switch {
	case c == m.pressure:
		return shell
	case c == m.firebox:
		return [2]*channel{m.smokebox, shell[0]}
	case c == m.smokebox:
		return [2]*channel{m.firebox, shell[0]}
	case c == m.pipe, c == m.level:
		return [2]*channel{shell[0], m.pressure}
	case c.isShell():
		return [2]*channel{shell[0], m.pressure}
	}
	return [2]*channel{}
}

func (m *Monitor) airTemperature(at track.Instant) float64 {
	if v, ok := m.fresh(m.air, at); ok {
		return v
	}
	return 10
}

func (m *Monitor) airPressure(at track.Instant) float64 {
	if v, ok := m.fresh(m.barometer, at); ok && math.Abs(v-m.standard) <= 5000 {
		return v
	}
	return m.standard
}

func (m *Monitor) boiling(at track.Instant) float64 {
	return saturationAt(m.airPressure(at))
}

func saturationAt(pa float64) float64 {
	t, err := steam.SaturationTemperature(pa)
	if err != nil {
		return math.NaN()
	}
	return t
}

// gauge returns the boiler's gauge pressure in pascal with its uncertainty.
func (m *Monitor) gauge(at track.Instant) (p, u float64, ok bool) {
	v, ok := m.fresh(m.pressure, at)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	if m.pressure.how.Absolute {
		v -= m.airPressure(at)
	}
	return v, m.pressure.u(), true
}

// wetted reports whether the shell stands in water and steam, so far as samples
// tell: water in the glass, and the pipe not run since steam was up.
func (m *Monitor) wetted(at track.Instant) bool {
	l, glass := m.fresh(m.level, at)
	if m.ran {
		p, _, ok := m.gauge(at)
		if !ok || p < saturation.FromBar*1e5 {
			return false
		}
		if m.coldPipe != 0 && at.Sub(m.coldPipe) >= 300 {
			m.ran = false
		} else if fell, ok := m.level.fellFrom(DetachedS); !glass || !ok || l < 0.3 || fell > 0.05 {
			// Past a passing cock the pipe is hot too, and the water stays.
			return false
		}
	}
	if !glass {
		// Hot steel without pressure may be dry.
		p, _, ok := m.gauge(at)
		return ok && p >= saturation.FromBar*1e5
	}
	return l > 0.1
}

// compare holds the channels against each other.
func (m *Monitor) compare(at track.Instant) {
	m.nodesFrozen(at)
	wet := m.wetted(at)
	if wet {
		m.compareSaturation(at)
	}
	m.compareShells(at, wet)
	m.compareCold(at)
	for _, c := range m.all {
		if c.sameN >= SameN && c.found[Frozen] == 0 && at.Sub(c.accepted) <= c.fresh {
			m.frozen(c, at, wet)
			if c.found[Frozen] == 0 && m.lively(c, at) && c.still(at) {
				c.find(Frozen, c.sameAt, fmt.Sprintf("for %d readings, and trembled before", c.sameN))
			}
		}
	}
	m.compareBoxes(at, wet)
	m.compareGlass(at)
}

// compareSaturation holds transducer and shell against the saturation line.
func (m *Monitor) compareSaturation(at track.Instant) {
	p, up, ok := m.gauge(at)
	if !ok {
		return
	}
	air, pa := m.airTemperature(at), m.airPressure(at)
	n, against := 0, 0
	for i, s := range m.shells {
		t, ok := m.fresh(s, at)
		if !ok {
			continue
		}
		pair := saturation.Pair{At: at, Gauge: p, UPressure: up, Ambient: pa, Shell: t, UShell: s.u(), Air: air}
		ts, tol, err := pair.Tolerance()
		if err != nil || !(t > ts || p >= saturation.FromBar*1e5) {
			continue // under half a bar there is air in the steam: steel may be colder
		}
		m.pairs[i].next(at, t-ts, tol)
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	// A shell that is found out takes no part in judging others.
	part := func(i int) bool {
		q := &m.pairs[i]
		return q.began && at.Sub(q.at) < 60 && m.shells[i].doubt() == Sound
	}
	for i := range m.shells {
		q := &m.pairs[i]
		if q.began && !q.against && at.Sub(q.at) < 60 {
			m.absolve(m.shells[i])
		}
		if !part(i) {
			continue
		}
		n++
		lo, hi = math.Min(lo, q.mean), math.Max(hi, q.mean)
		if q.against {
			against++
		}
	}
	if n == 0 {
		return
	}
	if against == 0 {
		m.absolve(m.pressure)
		return
	}
	for _, k := range [...]Kind{Frozen, Coarse, Noisy} {
		if m.pressure.found[k] != 0 {
			return // it is known to be wrong, and accuses nobody
		}
	}
	blame := [8]bool{}
	pressure := false
	for i := range m.shells {
		if i >= len(blame) || !part(i) || !m.pairs[i].against {
			continue
		}
		others := 0.0
		for k := range m.shells {
			if k != i && part(k) {
				others = math.Max(others, math.Abs(m.pairs[k].mean))
			}
		}
		switch {
		case n == 1:
			// Two things differ, and there is no third to tell which is wrong.
			pressure, blame[i] = true, true
		case hi-lo < others:
			pressure = true
			// All couples at once, and fast: a blocked pipe to the gauge, or all of them
			// off. Nothing tells which.
			fell, ok := m.shells[i].fell(DetachedS)
			blame[i] = ok && m.pairs[i].mean < -2*m.pairs[i].tol && fell > DetachedK+m.shells[i].u()
		default:
			blame[i] = true
		}
	}
	for i, s := range m.shells {
		if i < len(blame) && blame[i] {
			m.blameShell(s, &m.pairs[i], at)
		}
	}
	if pressure {
		m.blamePressure(at, p, pa)
	}
}

// absolve ends what the comparison with the saturation line has found.
func (m *Monitor) absolve(c *channel) {
	c.clear(Disagrees)
	c.clear(Drifting)
	if c.words[OtherUnit] == fromPartner {
		c.clear(OtherUnit)
	}
}

func (m *Monitor) blameShell(s *channel, q *pairing, at track.Instant) {
	ts := s.value - q.mean
	words := fmt.Sprintf("reads %.0f °C where steam of this pressure is at %.0f °C", s.value, ts)
	switch {
	case s.found[Disagrees] != 0 || s.found[Drifting] != 0 || s.found[OtherUnit] != 0 || s.found[Detached] != 0:
	case math.Abs(s.value-(1.8*ts+32)) < 4+0.02*ts, math.Abs(s.value-(ts+273.15)) < 4+0.02*ts:
		s.find(OtherUnit, at, fromPartner)
	case q.drifted():
		s.find(Drifting, q.over, words)
	default:
		s.find(Disagrees, q.over, words)
	}
}

// units are what a pressure in pascal comes to if it was sent in another unit, or
// converted from one it was not in.
var units = [...]float64{1e-5, 1e-3, 1e-2, 1.45038e-4, 0.0689476, 14.5038, 0.980665, 1e5, 1e3, 1e2}

func (m *Monitor) blamePressure(at track.Instant, p, pa float64) {
	c := m.pressure
	if c.found[Disagrees] != 0 || c.found[Drifting] != 0 || c.found[OtherUnit] != 0 {
		return
	}
	hottest, drifted, since := math.Inf(-1), false, at
	for i, s := range m.shells {
		if m.pairs[i].against {
			hottest = math.Max(hottest, s.value)
			drifted = drifted || m.pairs[i].drifted()
			since = min(since, m.pairs[i].over)
		}
	}
	ps, err := steam.SaturationPressure(hottest)
	if err == nil && ps-pa > 0.5e5 {
		for _, f := range units {
			if f != 0.980665 && math.Abs(math.Log(math.Max(p, 1e-9)/(ps-pa)/f)) < 0.12 {
				c.find(OtherUnit, since, fromPartner)
				return
			}
		}
	}
	words := fmt.Sprintf("reads %.2f bar while the shell is at %.0f °C, as steam of %.2f bar is", p/1e5, hottest, (ps-pa)/1e5)
	if drifted {
		c.find(Drifting, since, words)
	} else {
		c.find(Disagrees, since, words)
	}
}

// compareShells finds a couple that came off the shell: it falls towards the air
// while its neighbour does not, wet or dry.
func (m *Monitor) compareShells(at track.Instant, wet bool) {
	air := m.airTemperature(at)
	for _, s := range m.shells {
		own, ok := s.fell(DetachedS)
		if _, fresh := m.fresh(s, at); !ok || !fresh {
			continue
		}
		neighbour, compared, near := 0.0, false, false
		for _, o := range m.shells {
			f, ok := o.fell(DetachedS)
			if _, fresh := m.fresh(o, at); o == s || !ok || !fresh || o.doubt() != Sound {
				continue
			}
			neighbour, compared = math.Max(neighbour, f), true
			near = near || math.Abs(o.value-s.value) < s.u()+o.u()+LagK
		}
		if !compared {
			continue
		}
		k := float64(DetachedK)
		if m.ran && (m.coldPipe == 0 || at.Sub(m.coldPipe) < EmptyingS) {
			k = EmptyingK
		}
		if own > k+s.u() && own > DetachedTimes*math.Max(neighbour, 1) && s.value > air-5 {
			s.find(Detached, at, fmt.Sprintf("fell by %.0f K in 5 min, its neighbour by %.0f K", own, neighbour))
			s.clear(Disagrees)
		} else if s.found[Detached] != 0 && near && s.value > air+30 {
			s.clear(Detached)
		}
	}
	if len(m.shells) != 2 {
		return
	}
	a, b := m.shells[0], m.shells[1]
	va, ok := m.fresh(a, at)
	vb, ok2 := m.fresh(b, at)
	if !ok || !ok2 || !(math.Min(va, vb) > 60) {
		return
	}
	u := math.Hypot(a.u(), b.u())
	if p, _, ok := m.gauge(at); wet && !(ok && p >= saturation.FromBar*1e5) {
		// While both stand in water they are equal. With steam up the saturation line
		// tells which is not; without, nothing does.
		m.spread.next(at, va-vb, u+4*LagK)
	} else if !wet {
		m.apart.next(at, va-vb, u+ApartK)
	}
	for _, q := range [...]*pairing{&m.spread, &m.apart} {
		if q.against && a.doubt() == Sound && b.doubt() == Sound {
			words := fmt.Sprintf("the ends of the shell differ by %.0f K", math.Abs(q.mean))
			a.find(Disagrees, q.over, words)
			b.find(Disagrees, q.over, words)
		}
	}
}

// compareCold finds a transducer that shows pressure over cold water, where there
// can be none.
func (m *Monitor) compareCold(at track.Instant) {
	p, u, ok := m.gauge(at)
	if !ok || len(m.shells) == 0 {
		return
	}
	hottest := math.Inf(-1)
	for _, s := range m.shells {
		t, ok := m.fresh(s, at)
		if !ok || s.doubt() != Sound {
			return
		}
		hottest = math.Max(hottest, t+s.u()+saturation.ContactShare*math.Max(0, t-m.airTemperature(at)))
	}
	if m.steady[pressureCold].next(at, hottest < m.boiling(at)-LagK && p > u+10000, ConfirmS) {
		m.pressure.find(Disagrees, m.steady[pressureCold].on, fmt.Sprintf("reads %.2f bar over water below boiling", p/1e5))
	}
}

// frozen finds a channel that repeats itself while its partner has moved by more
// than both uncertainties since.
func (m *Monitor) frozen(c *channel, at track.Instant, wet bool) {
	moved := func(i int) (float64, *channel, bool) {
		p := m.partners(c)[i]
		v, ok := m.fresh(p, at)
		if !ok || p.doubt() != Sound {
			return 0, p, false
		}
		return math.Abs(v - c.then[i]), p, true
	}
	tell := func(p *channel, by float64) {
		c.find(Frozen, c.sameAt, fmt.Sprintf("since the %s moved by %s", name(p.id), p.size(by)))
	}
	for i := range 2 {
		by, p, ok := moved(i)
		if !ok {
			continue
		}
		need := math.Inf(1)
		switch {
		case c == m.pressure:
			g, u, _ := m.gauge(at)
			pa := m.airPressure(at)
			if math.Abs(g) > QuietBar*1e5 {
				need = p.u() + saturationAt(g+pa+u) - saturationAt(g+pa) + LagK
			}
		case c.isShell() && p == m.pressure:
			g, u, _ := m.gauge(at)
			pa := m.airPressure(at)
			if wet && g > saturation.FromBar*1e5 {
				by = math.Abs(saturationAt(g+pa) - saturationAt(c.then[i]+g-p.value+pa))
				need = c.u() + saturationAt(g+pa+u) - saturationAt(g+pa) + LagK
				if by > need {
					c.find(Frozen, c.sameAt, fmt.Sprintf("while the boiler pressure moved by as much as %.0f K of steam", by))
				}
			}
			continue
		case c.isShell():
			need = c.u() + p.u() + LagK
		case c == m.firebox:
			// A box that has come to rest near what is about it stays where it is; its
			// verdicts ask that it falls.
			need = c.u() + p.u() + BoxK
		case c == m.smokebox && p == m.firebox:
			need = c.u() + p.u() + 2*BoxK
		case c == m.smokebox:
			need = c.u() + p.u() + BoxK
		case c == m.pipe && p.isShell() && c.value > m.airTemperature(at)+30:
			// One that runs stands at boiling, whatever the shell does; but not for so long.
			if need = c.u() + p.u() + BoxK; at.Sub(c.sameAt) > RunS {
				need = c.u() + p.u() + LagK
			}
			if math.Abs(c.value-m.boiling(at)) < RunningK && at.Sub(c.sameAt) <= RunS {
				need = math.Inf(1)
			}
		case c == m.level && p.isShell() && c.value > 0.03 && c.value < 0.97:
			need = p.u() + 20 // by so much water shrinks by a tenth of the glass
		}
		if by > need {
			tell(p, by)
			return
		}
	}
	if c == m.level && c.value > 0.03 && c.value < 0.97 && at.Sub(c.sameAt) >= 180 {
		if t, ok := m.fresh(m.pipe, at); ok && t > m.boiling(at)-15 && m.pipe.doubt() == Sound {
			if g, _, ok := m.gauge(at); ok && g > saturation.FromBar*1e5 {
				c.find(Frozen, c.sameAt, "while the blow-down pipe runs")
			}
		}
	}
}

// resting reports whether a channel stands where an instrument comes to rest: a
// transducer about zero, a glass or a tank that is empty or full.
func (m *Monitor) resting(c *channel, at track.Instant) bool {
	switch c.id {
	case telemetry.BoilerLevel, telemetry.TankLeft, telemetry.TankRight:
		return !(c.value > 0.03 && c.value < 0.97)
	}
	if c == m.pressure {
		g, _, ok := m.gauge(at)
		return !(ok && math.Abs(g) > QuietBar*1e5)
	}
	return false
}

// lively reports whether a channel, besides, cannot keep still for a minute.
func (m *Monitor) lively(c *channel, at track.Instant) bool {
	unit, _ := telemetry.UnitOf(c.id)
	switch {
	case m.resting(c, at):
		return false
	case c == m.pressure, c == m.level:
		return true
	}
	return unit == telemetry.Celsius && c.node == 0 && c.value > HotC
}

// compareBoxes finds couples that read less than firebox and smokebox can have.
func (m *Monitor) compareBoxes(at track.Instant, wet bool) {
	// The coldest: one that reads too much must not accuse the others.
	shell, us := math.Inf(1), 0.0
	for _, s := range m.shells {
		if t, ok := m.fresh(s, at); ok && s.doubt() == Sound && t < shell {
			shell, us = t, s.u()
		}
	}
	if math.IsInf(shell, 1) {
		return
	}
	air := m.airTemperature(at)
	if t, ok := m.fresh(m.firebox, at); ok {
		low := t+m.firebox.u() < shell-us-FireboxBelowShellK
		if m.steady[fireboxLow].next(at, low, ConfirmS/2) {
			m.firebox.find(Detached, at, fmt.Sprintf("reads %.0f °C beside a shell of %.0f °C, which a firebox does not", t, shell))
		} else {
			m.firebox.clear(Detached)
		}
	}
	if t, ok := m.fresh(m.smokebox, at); ok {
		p, _, under := m.gauge(at)
		low := wet && under && p > saturation.FromBar*1e5 && t+m.smokebox.u() < shell-us-FireboxBelowShellK
		cold := shell-us-air > 50 && t-m.smokebox.u()-air < SmokeboxShare*(shell-air)
		a := m.steady[smokeboxLow].next(at, low, ConfirmS)
		b := m.steady[smokeboxCold].next(at, cold, ConfirmS)
		if a || b {
			m.smokebox.find(Detached, at, fmt.Sprintf("reads %.0f °C beside a shell of %.0f °C; is its door open?", t, shell))
		} else {
			m.smokebox.clear(Detached)
		}
	}
}

// compareGlass finds a glass that falls with the cocks shut, or a pipe that stays
// cold while the boiler runs out.
func (m *Monitor) compareGlass(at track.Instant) {
	l, ok := m.fresh(m.level, at)
	t, ok2 := m.fresh(m.pipe, at)
	if !ok || !ok2 {
		return
	}
	fell, ok := m.level.fell(DetachedS)
	alone := ok && fell > GlassFell && l < 0.15 && t < m.boiling(at)-PipeColdK && m.coldPipe != 0 && at.Sub(m.coldPipe) > DetachedS
	let := 0.0
	if m.pressure != nil {
		if f, ok := m.pressure.fell(DetachedS); ok {
			let = f
		}
	}
	if m.steady[glassAlone].next(at, alone, AloneS) && l < 0.15 {
		m.level.find(Disagrees, at, "emptied within minutes with the blow-down pipe cold")
	} else if l > 0.2 {
		m.steady[glassAlone] = steady{}
		m.level.clear(Disagrees)
	}
	// Where pressure fell too, the boiler may have run out past a couple that does
	// not feel it.
	if m.steady[pipeAlone].next(at, alone && let >= 20000, AloneS) && t < m.boiling(at)-PipeColdK {
		m.pipe.find(Disagrees, at, "stayed cold while the glass emptied")
	} else if t > m.boiling(at)-PipeColdK {
		m.steady[pipeAlone] = steady{}
		m.pipe.clear(Disagrees)
	}
}

// nodesFrozen finds a node all of whose channels repeat themselves: for long, or, where
// some of them trembled before, for longer than chance allows.
func (m *Monitor) nodesFrozen(at track.Instant) {
	for node := range m.nodes {
		n, same, still, hot, restless, chance := 0, 0, 0, false, false, 0.0
		var since, stood track.Instant
		for _, c := range m.all {
			if c.node != node || !c.has || at.Sub(c.accepted) > c.fresh {
				continue
			}
			n++
			if c.sameN >= SameN {
				same++
			}
			since = max(since, c.sameAt)
			switch {
			case m.resting(c, at), c.node != 0:
				// The shed's air may stand still for a quarter of an hour.
			case c.sameN < StillN:
				restless = restless || m.lively(c, at)
			case c.trembles:
				still++
				stood = max(stood, c.sameAt)
				chance += float64(c.sameN) * -math.Log(math.Max(c.stillness, 0.05))
			}
			if unit, _ := telemetry.UnitOf(c.id); unit == telemetry.Celsius && c.value > HotC {
				hot = true
			}
		}
		need := float64(NodeQuietS)
		if hot {
			need = NodeSameS
		}
		k := &m.nodes[node]
		switch {
		case n >= 3 && same == n && at.Sub(since) >= need,
			n >= 3 && still >= 2 && !restless && chance > StillLog && at.Sub(stood) >= StillS:
			if k.frozen == 0 {
				k.frozen, k.frozenFound = since, at
			}
		case since > k.frozenFound:
			k.frozen = 0
		}
	}
}
