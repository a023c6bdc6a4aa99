package rules

import (
	"math"
	"strings"

	"ashlamp/rules/disposal"
	"ashlamp/rules/energy"
	"ashlamp/rules/evidence"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/uncertainty"
)

// fallWindowS is the time in seconds over which the boiler's cooling is looked at: as
// long as the fall of pressure is for housing.
const fallWindowS = evidence.PressureFallS

// energy returns what the boiler holds by the newest good samples. Only good ones that
// are fresh count; what is missing, or not to be believed, is not known.
func (j *Judge) energy() energy.View {
	in := energy.Input{VolumeL: j.engine.BoilerVolume, AirC: math.NaN(), Ambient: j.ambient(), Shut: j.shut()}
	if p, u, ok := j.k.Gauge(j.now); ok {
		in.Gauge = uncertainty.Value{X: p, U: u}
	}
	shell, ok := j.hottestShell()
	if ok {
		t, _ := shell.Fresh(j.now)
		in.Shell = j.value(shell.ID(), t)
	}
	if t, ok := j.fresh(telemetry.AmbientTemp); ok {
		in.AirC = t
	}
	if l, ok := j.fresh(telemetry.BoilerLevel); ok {
		in.Level = j.value(telemetry.BoilerLevel, l)
	}
	// An engine of which the pressure or volume is not given has no steel to reckon with.
	in.Metal, _ = energy.Metal(j.engine.BoilerVolume, j.engine.WorkingPressure)
	if in.Shut {
		in.FallKPerH = j.fall(in, shell)
	}
	v, err := energy.Of(in)
	if err != nil {
		v.Why, v.WhyNoLoss = err.Error(), err.Error()
	}
	return v
}

func (j *Judge) fresh(id telemetry.Channel) (float64, bool) {
	t := j.k.Track(id)
	if t == nil {
		return math.NaN(), false
	}
	return t.Fresh(j.now)
}

func (j *Judge) value(id telemetry.Channel, v float64) uncertainty.Value {
	return uncertainty.Value{X: v, U: j.engine.Channel(id).U(v)}
}

// ambient returns the air's pressure in pascal: measured, or the standard atmosphere of
// the shed's height where nothing measures it; not stated where the barometer is not to
// be believed. Unlike the boiling point it is not put on one side: its uncertainty is
// carried.
func (j *Judge) ambient() uncertainty.Value {
	standard, err := steam.StandardAtmosphere(j.engine.Altitude)
	if err != nil {
		return uncertainty.Value{}
	}
	pa, ok := j.fresh(telemetry.AmbientPressure)
	switch {
	case !ok:
		return uncertainty.Value{X: standard, U: evidence.WithoutBarometer}
	case math.Abs(pa-standard) > evidence.StationSpan:
		return uncertainty.Value{}
	}
	return j.value(telemetry.AmbientPressure, pa)
}

// hottestShell returns the track of the shell couple that reads highest, false where
// none is fresh.
func (j *Judge) hottestShell() (hottest *track.Track, ok bool) {
	highest := math.Inf(-1)
	for _, t := range j.k.Tracks() {
		if !strings.HasPrefix(string(t.ID()), "boiler.shell.") {
			continue
		}
		if v, fresh := t.Fresh(j.now); fresh && v > highest {
			hottest, highest, ok = t, v, true
		}
	}
	return hottest, ok
}

// shut reports whether the boiler has stood shut with no fire in for as long as the fall
// is looked at, as far as is known: the fire dropped and none seen since, the engine put
// where it stays, no pipe hot, and neither vent nor plugs said to be open. Steam that is
// drawn in spite of that counts as lost, which it is.
func (j *Judge) shut() bool {
	if j.dropped == 0 || !j.k.Fire.Out() || j.now.Sub(j.dropped) < fallWindowS || j.k.Run.Hot() {
		return false
	}
	switch j.d.Phase() {
	case disposal.Cooling, disposal.LaidUp:
	case disposal.Housed:
		// It was moved into the shed, by steam maybe.
		if at, housed := j.d.HousedAt(); !housed || j.now.Sub(at) < fallWindowS {
			return false
		}
	default:
		return false
	}
	for _, open := range []string{"vent-open", "plugs-removed"} {
		if _, said := j.k.Said.Get(open); said {
			return false
		}
	}
	return true
}

// fall returns how fast the water cools: by the pressure under steam, else by the shell.
func (j *Judge) fall(in energy.Input, shell *track.Track) uncertainty.Value {
	if in.Gauge.X > in.Gauge.U {
		m, ok := j.k.Track(telemetry.BoilerPressure).Thirds(fallWindowS)
		if !ok {
			return uncertainty.Value{}
		}
		for i, v := range m {
			m[i], _ = j.k.GaugeOf(v, j.now)
		}
		return energy.FallUnderSteam(m, in.Gauge.U, in.Ambient, fallWindowS)
	}
	if shell == nil {
		return uncertainty.Value{}
	}
	m, ok := shell.Thirds(fallWindowS)
	if !ok {
		return uncertainty.Value{}
	}
	return energy.Fall(m, in.Shell.U, fallWindowS)
}
