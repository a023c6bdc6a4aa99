// Package evening plays simulated disposals for the skill of the forecasts to be told
// by: what was foretold at each moment, by the forecasts and by their rivals, beside
// when it came.
package evening

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/forecast"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/campaign/attack"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/node"
	"ashlamp/simulators/skill/rival"
	"ashlamp/simulators/world"
)

// Plan is one evening of one engine.
type Plan struct {
	Engine    world.Engine
	Intervals node.Intervals
	Seed      uint64
	// Shut is that the engine is left with its water, shut, until it has no pressure.
	Shut bool
}

// Draw draws an engine of a seed; shut decides whether it is left shut. All evenings of
// one k are of the same engine: only the weather, the water, the crew and the noise of
// the instruments differ.
func Draw(seed uint64, k, evening int, shut bool) (Plan, error) {
	e, err := world.Draw(rand.New(rand.NewPCG(seed, uint64(k))))
	if err != nil {
		return Plan{}, fmt.Errorf("engine %d of seed %d: %w", k, seed, err)
	}
	rng := rand.New(rand.NewPCG(seed^0x5eed, uint64(k)<<8+uint64(evening)))
	if evening > 0 {
		other, err := world.Draw(rand.New(rand.NewPCG(rng.Uint64(), uint64(k))))
		if err != nil {
			return Plan{}, fmt.Errorf("evening %d of engine %d: %w", evening, k, err)
		}
		e.Start, e.Manner = other.Start, other.Manner
		w := other.Weather
		w.Pressure += e.Weather.Pressure - other.Weather.Pressure // the same shed
		w.Pressure += 900 * rng.NormFloat64()
		e.Weather = w
		e.Pressure = (0.75 + 0.13*rng.Float64()) * e.Boiler.WorkingPressure
		e.Glass = 0.4 + 0.3*rng.Float64()
	}
	e.Manner.Careless, e.Manner.Hasty, e.Manner.GoesOn = false, false, true
	if shut {
		e.Plan.LayUp = telemetry.Short
	}
	pressure := []int{5, 10, 10, 15}[rng.IntN(4)]
	return Plan{Engine: e, Seed: rng.Uint64(), Shut: shut, Intervals: node.Intervals{
		Pressure: time.Duration(pressure) * time.Second, Temperature: time.Duration(2*pressure) * time.Second,
		Tank: time.Minute, Shed: 5 * time.Minute,
	}}, nil
}

// Made is what was foretold of one target at one moment, s since the start.
type Made struct {
	At       float64
	Target   forecast.Target
	Assuming forecast.Assumption
	// Told is whether anything was; then ETA, Lo and Hi are s since the start.
	Told        bool
	ETA, Lo, Hi float64
	// Spread and Way are what the interval was made of.
	Spread float64
	Way    string
	// Line and Exp are what the rivals say, s since the start; NaN for nothing.
	Line, Exp float64
}

// Stretch is a time through which nobody changed anything, s since the start.
type Stretch struct {
	From, To float64
	// Running is that the cocks were open.
	Running bool
	Made    []Made
	// Reached is when each target's readings came to it within the stretch.
	Reached map[forecast.Target]float64
}

// Result is one evening played.
type Result struct {
	Stretches []Stretch
	Learned   forecast.Learned
	Hours     float64
}

// Times of an evening, s.
const (
	longestS = 60 * 3600
	lingerS  = 1800
	binS     = 60
	runBinS  = 10
)

type player struct {
	plan  Plan
	judge *rules.Judge
	world *world.World
	out   Result
	start time.Time

	cur     *Stretch
	key     crew.Hands
	limits  forecast.Limits
	lastFor float64

	bins map[telemetry.Channel]*bin
	past map[telemetry.Channel][]rival.Reading
	air  float64
}

type bin struct {
	from, sum float64
	n         int
}

// Play plays one evening.
func Play(ctx context.Context, p Plan, props *boiler.Properties, l forecast.Learned) (Result, error) {
	quiet := p.Intervals
	quiet.Pressure, quiet.Temperature = 15*time.Second, 30*time.Second
	j, err := rules.New(attack.Spec(p.Engine, quiet))
	if err != nil {
		return Result{}, err
	}
	if err := j.Foretell(&l); err != nil {
		return Result{}, err
	}
	pl := &player{plan: p, judge: j, start: p.Engine.Start, bins: map[telemetry.Channel]*bin{}, past: map[telemetry.Channel][]rival.Reading{}, air: math.NaN(), lastFor: math.Inf(-1)}
	if pl.world, err = world.New(p.Engine, props, p.Seed, nil, pl); err != nil {
		return Result{}, err
	}
	pl.world.Coarse(15)
	n := node.New(pl.world, pl, p.Intervals, p.Seed)
	home := math.NaN()
	for pl.world.Elapsed() < longestS {
		if err := n.Step(ctx); err != nil {
			return Result{}, err
		}
		t := pl.world.Elapsed()
		switch stage := pl.world.Stage(); stage {
		case "cool", "tanks", "smokebox", "house", "home":
			n.Read(quiet)
		}
		pl.look(t)
		if pl.world.Home() && math.IsNaN(home) {
			home = t
		}
		if t > home+lingerS && (!p.Shut || pl.world.Truth().Pressure < 4000) {
			break
		}
	}
	pl.end(pl.world.Elapsed())
	if got, ok := j.Learned(); ok {
		pl.out.Learned = got
	}
	pl.out.Hours = pl.world.Elapsed() / 3600
	return pl.out, nil
}

// Say takes what the crew says.
func (p *player) Say(_ context.Context, ev telemetry.Event) error {
	_, err := p.judge.Hear(ev)
	return err
}

// Carry takes a pack.
func (p *player) Carry(_ context.Context, k node.Pack) error {
	p.judge.Samples(k.Sent, k.Samples)
	for _, s := range k.Samples {
		if s.Quality != telemetry.Good {
			continue
		}
		switch s.Channel {
		case telemetry.AmbientTemp:
			p.air = s.Value
		case telemetry.BoilerPressure, telemetry.Firebox, telemetry.Smokebox, telemetry.ShellTop, telemetry.ShellBottom:
			p.gather(s.Channel, s.At.Sub(p.start).Seconds(), s.Value)
		}
	}
	return nil
}

// gather keeps means over a minute, or ten seconds while the cocks run.
func (p *player) gather(ch telemetry.Channel, at, v float64) {
	b := p.bins[ch]
	if b == nil {
		b = &bin{from: at}
		p.bins[ch] = b
	}
	width := float64(binS)
	if p.cur != nil && p.cur.Running {
		width = runBinS
	}
	if b.n > 0 && at-b.from >= width {
		p.past[ch] = append(p.past[ch], rival.Reading{At: (b.from + at) / 2, Value: b.sum / float64(b.n)})
		*b = bin{from: at}
	}
	b.sum += v
	b.n++
}

// look keeps stretches and makes forecasts.
func (p *player) look(t float64) {
	h := p.world.Hands()
	h.Drain, h.Housed = false, false
	running := h.Cocks[0] > 0 && p.world.Truth().Liquid > p.world.Truth().Residue+0.5
	if h.Cocks[0] > 0 {
		// The vent is opened as the last of the pressure goes: it changes seconds.
		if p.key.Cocks == h.Cocks && p.world.Truth().Pressure > 2000 {
			h.Vent = p.key.Vent
		}
	}
	if p.cur == nil || h != p.key {
		p.end(t)
		p.key = h
		p.cur = &Stretch{From: t, Running: running}
		p.lastFor = math.Inf(-1)
	}
	if h.Fire > 0 {
		return
	}
	every := 60.0
	if t-p.cur.From > 1800 {
		every = 300
	}
	if p.cur.Running {
		every = runBinS
	}
	if t-p.lastFor < every {
		return
	}
	p.lastFor = t
	p.limits = p.judge.ToReach()
	for _, f := range p.judge.Forecasts() {
		m := Made{At: t, Target: f.Target, Assuming: f.Assuming, Told: f.ETA != 0, Spread: f.Spread, Way: f.Way()}
		if m.Told {
			rel := func(i interface{ Time() time.Time }) float64 { return i.Time().Sub(p.start).Seconds() }
			m.ETA, m.Lo, m.Hi = rel(f.ETA), rel(f.Lo), rel(f.Hi)
		}
		if f.Assuming == forecast.AsIs {
			line := func(past []rival.Reading, _, limit float64) float64 { return rival.Line(past, limit) }
			m.Line = t + p.rivals(f.Target, line)
			m.Exp = t + p.rivals(f.Target, rival.Exponential)
		}
		p.cur.Made = append(p.cur.Made, m)
	}
}

// since returns a channel's readings of this stretch, of the last four hours at most.
func (p *player) since(ch telemetry.Channel) []rival.Reading {
	past := p.past[ch]
	i := len(past)
	t := p.world.Elapsed()
	for i > 0 && past[i-1].At >= p.cur.From && past[i-1].At > t-4*3600 {
		i--
	}
	return past[i:]
}

// vacuum is what the gauge pressure of a shut boiler would come down to, cold, in Pa:
// that of steam at the air's temperature less the air's. Once the cocks are open it is 0.
func (p *player) vacuum() float64 {
	if p.cur.Running {
		return 0
	}
	steamPa, err := steam.SaturationPressure(p.air)
	if err != nil {
		return -p.limits.AirPa
	}
	return steamPa - p.limits.AirPa
}

func (p *player) rivals(target forecast.Target, way func(past []rival.Reading, end, limit float64) float64) float64 {
	l := p.limits
	air := p.air
	late := func(ch telemetry.Channel, end, limit float64) float64 { return way(p.since(ch), end, limit) }
	switch target {
	case forecast.SteamToMove:
		return late(telemetry.BoilerPressure, p.vacuum(), l.MovePa)
	case forecast.PressureZero:
		return late(telemetry.BoilerPressure, p.vacuum(), l.ZeroPa)
	case forecast.BelowBoiling:
		return math.Max(late(telemetry.ShellTop, air, l.ShellC), late(telemetry.ShellBottom, air, l.ShellC))
	case forecast.FireboxCool:
		return late(telemetry.Firebox, air, l.FireboxC)
	}
	out := 0.0
	add := func(ch telemetry.Channel, end, limit float64) {
		past := p.since(ch)
		if len(past) > 0 && past[len(past)-1].Value > limit {
			out = math.Max(out, way(past, end, limit))
		}
	}
	add(telemetry.Firebox, air, l.FireboxC)
	add(telemetry.Smokebox, air, l.SmokeboxC)
	if math.IsNaN(l.HousePa) {
		add(telemetry.BoilerPressure, p.vacuum(), l.ZeroPa)
	} else {
		add(telemetry.BoilerPressure, p.vacuum(), l.HousePa)
	}
	if l.HouseShell {
		add(telemetry.ShellTop, air, l.ShellC)
		add(telemetry.ShellBottom, air, l.ShellC)
	}
	return out
}

// end closes the stretch and finds when each target was reached in it.
func (p *player) end(t float64) {
	s := p.cur
	if s == nil {
		return
	}
	s.To = t
	p.cur = nil
	if len(s.Made) == 0 {
		return
	}
	l := p.limits
	s.Reached = map[forecast.Target]float64{}
	late := func(ch telemetry.Channel, limit float64) float64 {
		return crossing(p.past[ch], s.From, s.To, limit, s.Running)
	}
	put := func(target forecast.Target, at float64) {
		if at > s.From && at <= s.To {
			s.Reached[target] = at
		}
	}
	put(forecast.SteamToMove, late(telemetry.BoilerPressure, l.MovePa))
	put(forecast.PressureZero, late(telemetry.BoilerPressure, l.ZeroPa))
	shell := math.Max(late(telemetry.ShellTop, l.ShellC), late(telemetry.ShellBottom, l.ShellC))
	put(forecast.BelowBoiling, shell)
	put(forecast.FireboxCool, late(telemetry.Firebox, l.FireboxC))
	house := math.Max(late(telemetry.Firebox, l.FireboxC), late(telemetry.Smokebox, l.SmokeboxC))
	if math.IsNaN(l.HousePa) {
		house = math.Max(house, late(telemetry.BoilerPressure, l.ZeroPa))
	} else {
		house = math.Max(house, late(telemetry.BoilerPressure, l.HousePa))
	}
	if l.HouseShell {
		house = math.Max(house, shell)
	}
	put(forecast.House, house)
	p.out.Stretches = append(p.out.Stretches, *s)
}

// crossing returns when a channel's readings came down to a limit for the last time
// before to: the start where they were under it all along, NaN where they never were.
// Noise is smoothed over five minutes, but for what runs out.
func crossing(past []rival.Reading, from, to, limit float64, quick bool) float64 {
	half := 2
	if quick {
		half = 0
	}
	at := math.NaN()
	var last rival.Reading
	for i := range past {
		if past[i].At < from || past[i].At > to {
			continue
		}
		lo, hi := max(0, i-half), min(len(past)-1, i+half)
		for past[lo].At < from {
			lo++
		}
		for past[hi].At > to {
			hi--
		}
		sum, n := 0.0, 0
		for k := lo; k <= hi; k++ {
			sum, n = sum+past[k].Value, n+1
		}
		r := rival.Reading{At: past[i].At, Value: sum / float64(n)}
		switch {
		case r.Value > limit:
			at = math.NaN()
		case math.IsNaN(at) && last.At > 0 && last.Value > limit:
			at = last.At + (r.At-last.At)*(last.Value-limit)/(last.Value-r.Value)
		case math.IsNaN(at):
			at = from
		}
		last = r
	}
	return at
}
