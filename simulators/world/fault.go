package world

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"

	"ashlamp/simulators/sensor"
)

// pending is a fault that waits for the crew to come to a stage.
type pending struct {
	stage string
	delay float64
	apply func(*World)
}

// fault is one way in which an engine, its instruments or its node fail.
type fault struct {
	// stage and up to how many seconds into it the fault begins by default.
	stage    string
	from, to float64
	apply    func(w *World, rng *rand.Rand)
}

func instrument(place int, kind sensor.Kind, size func(*rand.Rand) float64) func(*World, *rand.Rand) {
	return func(w *World, rng *rand.Rand) {
		f := sensor.Fault{Kind: kind, From: w.t}
		if size != nil {
			f.Size = size(rng)
		}
		w.sensors[place].Faults = append(w.sensors[place].Faults, f)
	}
}

// between draws from a range; either draws its sign too.
func between(lo, hi float64) func(*rand.Rand) float64 {
	return func(r *rand.Rand) float64 { return lo + (hi-lo)*r.Float64() }
}

func either(lo, hi float64) func(*rand.Rand) float64 {
	return func(r *rand.Rand) float64 {
		v := lo + (hi-lo)*r.Float64()
		if r.IntN(2) == 0 {
			return -v
		}
		return v
	}
}

// faults returns the table. Sizes are in the channel's unit; stages are the
// crew's. It is made anew for each call: nothing here is shared or changed.
func faults() map[string]fault {
	const anyWhere, h = "", 3600.0
	m := map[string]fault{
		// Of the pressure transducer and its pipe.
		"pressure-stuck":      {"run-out", 10, 60, instrument(pressure, sensor.Stuck, nil)},
		"pressure-zero-early": {"fill", 0, 1 * h, instrument(pressure, sensor.ZeroEarly, between(5, 1200))},
		"pressure-offset":     {anyWhere, 0, 0, instrument(pressure, sensor.Offset, either(0.1*bar, 1.5*bar))},
		"pressure-drifting":   {anyWhere, 0, 0, instrument(pressure, sensor.Drifting, either(0.1*bar, 1*bar))},
		"pressure-open":       {"fill", 0, 2 * h, instrument(pressure, sensor.Open, nil)},
		"pressure-noisy":      {anyWhere, 0, 0, instrument(pressure, sensor.Noisy, between(10, 80))},
		"pressure-coarse":     {anyWhere, 0, 0, instrument(pressure, sensor.Coarse, between(0.05*bar, 0.5*bar))},
		"pressure-spikes":     {anyWhere, 0, 0, instrument(pressure, sensor.Spikes, between(0.01, 0.03))},
		"pressure-jumps":      {anyWhere, 0, 0, instrument(pressure, sensor.Jumps, between(0.01, 0.03))},
		"pressure-other-unit": {anyWhere, 0, 0, instrument(pressure, sensor.Scaled, between(0.0689476, 0.0689476))},
		"siphon-blocked":      {"fill", 0, 1.5 * h, func(w *World, r *rand.Rand) { w.harm.siphon = between(600, 40000)(r) }},

		// Of the couples.
		"shell-top-stuck":       {"fill", 0, 2 * h, instrument(shellTop, sensor.Stuck, nil)},
		"shell-top-detached":    {"fill", 0, 2 * h, instrument(shellTop, sensor.Detached, nil)},
		"shell-top-offset":      {anyWhere, 0, 0, instrument(shellTop, sensor.Offset, either(5, 40))},
		"shell-top-drifting":    {anyWhere, 0, 0, instrument(shellTop, sensor.Drifting, either(3, 30))},
		"shell-top-open":        {"fill", 0, 2 * h, instrument(shellTop, sensor.Open, nil)},
		"shell-bottom-stuck":    {"fill", 0, 2 * h, instrument(shellBottom, sensor.Stuck, nil)},
		"shell-bottom-detached": {"fill", 0, 2 * h, instrument(shellBottom, sensor.Detached, nil)},
		"shell-bottom-open":     {"fill", 0, 2 * h, instrument(shellBottom, sensor.Open, nil)},
		"shells-detached": {"fill", 0, 2 * h, func(w *World, r *rand.Rand) {
			instrument(shellTop, sensor.Detached, nil)(w, r)
			instrument(shellBottom, sensor.Detached, nil)(w, r)
		}},
		"shell-pipe-swapped": {anyWhere, 0, 0, func(w *World, _ *rand.Rand) {
			w.feed[shellTop], w.feed[pipe] = w.feed[pipe], w.feed[shellTop]
		}},
		"firebox-stuck":    {"drop-fire", 0, 1 * h, instrument(fireboxCouple, sensor.Stuck, nil)},
		"firebox-detached": {"drop-fire", 0, 1 * h, instrument(fireboxCouple, sensor.Detached, nil)},
		// Type K drifts by some kelvin in a thousand hours (from memory). Faster than this
		// nothing contradicts a firebox until it is read far under its shell.
		"firebox-drifting": {anyWhere, 0, 0, instrument(fireboxCouple, sensor.Drifting, either(0.5, 2.5))},
		"firebox-open":     {"fill", 0, 2 * h, instrument(fireboxCouple, sensor.Open, nil)},
		"firebox-jumps":    {anyWhere, 0, 0, instrument(fireboxCouple, sensor.Jumps, between(0.01, 0.03))},
		"smokebox-stuck":   {"drop-fire", 0, 1.5 * h, instrument(smokeboxCouple, sensor.Stuck, nil)},
		"smokebox-detached": {"drop-fire", 0, 1.5 * h,
			instrument(smokeboxCouple, sensor.Detached, nil)},
		"pipe-stuck":    {"run-out", 10, 400, instrument(pipe, sensor.Stuck, nil)},
		"pipe-detached": {"run-out", 10, 120, instrument(pipe, sensor.Detached, nil)},
		"pipe-open":     {"run-out", 0, 400, instrument(pipe, sensor.Open, nil)},
		"pipe-offset":   {anyWhere, 0, 0, instrument(pipe, sensor.Offset, either(5, 40))},

		// Of the levels.
		"level-stuck":      {"fill", 0, 0.7 * h, instrument(level, sensor.Stuck, nil)},
		"level-zero-early": {"fill", 0, 0.7 * h, instrument(level, sensor.ZeroEarly, between(5, 300))},
		"level-offset":     {anyWhere, 0, 0, instrument(level, sensor.Offset, either(0.05, 0.4))},
		"level-open":       {"fill", 0, 2 * h, instrument(level, sensor.Open, nil)},
		"level-noisy":      {anyWhere, 0, 0, instrument(level, sensor.Noisy, between(10, 50))},
		"glass-blocked":    {"fill", 0, 1.5 * h, func(w *World, _ *rand.Rand) { w.harm.glassBlocked = true }},
		"tank-left-stuck":  {"run-out", 0, 1 * h, instrument(tankLeft, sensor.Stuck, nil)},
		"tank-zero-early":  {"fill", 0, 2 * h, instrument(tankLeft, sensor.ZeroEarly, between(5, 300))},
		"barometer-sea-level": {anyWhere, 0, 0, func(w *World, _ *rand.Rand) {
			f := sensor.Fault{Kind: sensor.Offset, Size: 101325 - w.Weather.Pressure}
			w.sensors[airPressure].Faults = append(w.sensors[airPressure].Faults, f)
		}},
		"barometer-stuck": {anyWhere, 0, 0, instrument(airPressure, sensor.Stuck, nil)},

		// Of the engine and what people do to it.
		"cock-shut-early": {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.harm.shutAt, w.harm.shutTo = between(0.10, 0.85)(r), 0 }},
		"cock-choked": {anyWhere, 0, 0, func(w *World, r *rand.Rand) {
			w.harm.shutAt, w.harm.shutTo = between(0.1, 0.85)(r), between(0.005, 0.08)(r)
		}},
		"cock-passing":    {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.harm.cockLeak = between(1e-7, 1.5e-6)(r) * w.Boiler.Volume / 0.4 }},
		"safety-passing":  {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.harm.safetyLeak = between(2e-7, 4e-6)(r) * w.Boiler.Volume / 0.4 }},
		"vent-shut":       {anyWhere, 0, 0, func(w *World, _ *rand.Rand) { w.harm.ventShut = true }},
		"balance-blocked": {"fill", 0, 2 * h, func(w *World, _ *rand.Rand) { w.harm.balance = 0 }},
		"ash-relit":       {"clear-ash", 400, 2 * h, func(w *World, r *rand.Rand) { w.harm.relight = between(0.06, 0.25)(r) }},
		"fire-stays":      {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.harm.fireStays = between(0.08, 0.3)(r) }},

		// Of the node and the way to the daemon.
		"node-silent":       {"fill", 0, 3 * h, func(w *World, _ *rand.Rand) { w.link.Silent = true }},
		"node-frozen":       {"fill", 0, 3 * h, func(w *World, _ *rand.Rand) { w.link.Frozen = true }},
		"node-clock-ahead":  {"fill", 0, 3 * h, func(w *World, r *rand.Rand) { w.link.Clock = between(8, 7200)(r) }},
		"node-clock-behind": {"fill", 0, 3 * h, func(w *World, r *rand.Rand) { w.link.Clock = -between(30, 7200)(r) }},
		"packs-lost":        {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.link.Lost = between(0.02, 0.3)(r) }},
		"packs-doubled":     {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.link.Doubled = between(0.05, 0.5)(r) }},
		"broker-gone":       {"fill", 0, 4 * h, func(w *World, r *rand.Rand) { w.away(r, 60, 3600, false) }},
		"broker-gone-late":  {"fill", 0, 4 * h, func(w *World, r *rand.Rand) { w.away(r, 60, 3600, true) }},
		"daemon-restarted": {"fill", 0, 4 * h, func(w *World, r *rand.Rand) {
			w.link.Restarts++
			w.away(r, 5, 900, r.IntN(2) == 0)
		}},
		"packs-shuffled": {anyWhere, 0, 0, func(w *World, r *rand.Rand) { w.link.Shuffled = between(0.05, 0.5)(r) }},
	}
	return m
}

// Faults returns the names that [World.Inject] knows, sorted.
func Faults() []string {
	var names []string
	for name := range faults() {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}

// Inject makes a fault happen, at a moment drawn within the stage where it does
// most harm. An unknown name is an error that lists those known.
func (w *World) Inject(name string) error {
	f, ok := faults()[name]
	if !ok {
		return fmt.Errorf("fault %q is not known; use one of %s", name, strings.Join(Faults(), ", "))
	}
	return w.inject(f, f.stage, between(f.from, f.to)(w.rng))
}

// InjectAt makes a fault happen delay seconds after the crew began a stage; an
// empty stage is the start.
func (w *World) InjectAt(name, stage string, delay float64) error {
	f, ok := faults()[name]
	if !ok {
		return fmt.Errorf("fault %q is not known; use one of %s", name, strings.Join(Faults(), ", "))
	}
	return w.inject(f, stage, delay)
}

func (w *World) inject(f fault, stage string, delay float64) error {
	rng := rand.New(rand.NewPCG(w.rng.Uint64(), w.rng.Uint64()))
	w.pending = append(w.pending, pending{stage, delay, func(w *World) { f.apply(w, rng) }})
	w.arm()
	return nil
}

// away lets nobody take packs for a time drawn between from and to s.
func (w *World) away(r *rand.Rand, from, to float64, keeps bool) {
	w.link.AwayUntil, w.link.Keeps = w.t+from*math.Pow(to/from, r.Float64()), keeps
}

// arm lets faults begin whose moment has come.
func (w *World) arm() {
	for i := 0; i < len(w.pending); {
		p := w.pending[i]
		began, ok := 0.0, p.stage == ""
		if !ok {
			began, ok = w.crew.Began(p.stage)
		}
		if !ok || w.t < began+p.delay {
			i++
			continue
		}
		p.apply(w)
		if !(w.struck >= 0) {
			w.struck = w.t
		}
		w.pending = append(w.pending[:i], w.pending[i+1:]...)
	}
}
