package rules

import (
	"math"
	"strings"

	"ashlamp/rules/evidence"
	"ashlamp/rules/forecast"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// forecastEveryS is for how long, in seconds of data, a forecast stands before it is
// made anew (contract: at least every 10 s).
const forecastEveryS = 10

// foretelling is what the judgement keeps to forecast by. It judges nothing: no verdict
// rests on a forecast.
type foretelling struct {
	est  *forecast.Estimator
	made track.Instant
	last []forecast.Forecast
}

// Foretell makes the judge forecast from now on, with what was learned of this engine
// before; nil for nothing. Without it, [Judge.Forecasts] gives none, and samples are
// judged the quicker. What cannot have been learned of this engine is an error, and it
// is forecast as one that nobody has seen.
func (j *Judge) Foretell(l *forecast.Learned) error {
	first := forecast.Unseen(j.engine.BoilerVolume)
	var err error
	if l != nil {
		if err = l.Check(); err == nil {
			first = *l
		}
	}
	j.f = &foretelling{est: forecast.New(forecast.Engine{
		VolumeL: j.engine.BoilerVolume, BoreMM: j.engine.Limits.At(limit.BlowDownBore),
		ULevel: j.engine.Channel(telemetry.BoilerLevel).Uncertainty,
	}, first)}
	j.f.est.Clock(j.aheadOfUTC(j.now))
	return err
}

// aheadOfUTC returns by how many seconds the shed's clock is ahead at a moment.
func (j *Judge) aheadOfUTC(at track.Instant) float64 {
	z := j.engine.Zone
	if z == nil {
		return 0
	}
	_, offset := at.Time().In(z).Zone()
	return float64(offset)
}

// foresee takes a sample that counts.
func (j *Judge) foresee(s telemetry.Sample) {
	if j.f == nil || s.Quality != telemetry.Good {
		return
	}
	at, v := track.Of(s.At), s.Value
	if s.Channel == telemetry.BoilerPressure {
		v, _ = j.k.GaugeOf(v, at)
	}
	j.f.est.Sample(s.Channel, at, v)
}

// stand tells the estimator how the engine stands.
func (j *Judge) stand() {
	if j.f == nil {
		return
	}
	_, began := j.k.Run.Began()
	_, gone := j.k.Run.Gone()
	p, _, heard := j.k.Gauge(j.now)
	low := heard && p <= j.k.ZeroBand()
	// Hot with the glass showing nothing and no pressure left, it is only steam that
	// is still about.
	running := j.k.Run.Running() && !(gone && low)
	s := forecast.Standing{
		FireOut: j.dropped != 0 && !j.fireSeen(), Running: running,
		Empty:  began && gone && !running && (low || j.f.est.Standing().Empty),
		Vented: j.stands("vent-open") || j.stands("plugs-removed"), Ajar: j.stands("smokebox-ajar"),
		PanShut: j.stands("ash-pan-shut"),
	}
	j.f.est.Stand(j.now, s)
}

func (j *Judge) fireSeen() bool {
	_, relit := j.k.Fire.Relit()
	return relit
}

// Forecasts returns what is expected, made anew every 10 s of data; none where the
// judge does not foretell.
func (j *Judge) Forecasts() []forecast.Forecast {
	if j.f == nil {
		return nil
	}
	if j.f.last == nil || j.now.Sub(j.f.made) >= forecastEveryS {
		j.f.made = j.now
		j.f.last = append(j.f.est.Forecasts(j.now, j.k.ToReach(j.now)), j.drying())
	}
	return j.f.last
}

// drying forecasts an open barrel by the line its humidity has come down by: what it does
// next is the weather's as much as its own.
func (j *Judge) drying() forecast.Forecast {
	f := forecast.Forecast{Target: forecast.BarrelDry, Assuming: forecast.AsIs}
	if !j.w.known.PlugsRemoved {
		f.Text = "The plugs are in."
		return f
	}
	if at, dry := j.k.DryAt(j.now); dry {
		f.ETA, f.Lo, f.Hi = at, at, at
		if at <= j.now {
			f.ETA, f.Lo, f.Hi, f.Text = 0, 0, 0, "Dry for long enough already."
		}
		return f
	}
	limitRH := j.engine.Limits.At(limit.BarrelRH)
	p := j.rest.drying.At(j.now, limitRH-j.engine.Channel(telemetry.BoilerHumidity).U(limitRH))
	if p.End == 0 || math.IsNaN(p.EndSD) {
		f.Text = sentence(p.Why)
		return f
	}
	f.ETA = p.End.Add(evidence.BarrelHoldS)
	f.Lo = max(j.now.Add(evidence.BarrelHoldS), f.ETA.Add(-forecast.Q90*p.EndSD))
	f.Hi = f.ETA.Add(forecast.Q90 * p.EndSD)
	return f
}

func sentence(s string) string {
	if s == "" {
		return "Nothing honest can be said."
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// evening says that a disposal began: what the one before taught is what this one is
// forecast by. Evenings judged again after a restart teach nothing twice.
func (j *Judge) evening(at track.Instant) {
	if j.f == nil {
		return
	}
	before := j.f.est.Before()
	if at > before.Until {
		before = j.f.est.Learned()
		before.Until = at
	}
	j.f.est.Begin(before)
	j.f.est.Clock(j.aheadOfUTC(at)) // summer time may have begun since
	j.f.last = nil
}

// believed returns what was believed of the engine before this evening.
func (j *Judge) believed() *forecast.Learned {
	if j.f == nil {
		return nil
	}
	l := j.f.est.Before()
	return &l
}

// Learned returns what is believed of the engine now, to forecast its next evening by;
// false where the judge does not foretell.
func (j *Judge) Learned() (forecast.Learned, bool) {
	if j.f == nil {
		return forecast.Learned{}, false
	}
	return j.f.est.Learned(), true
}

// ToReach returns what the forecasts tell the time of, as the instruments will read it.
func (j *Judge) ToReach() forecast.Limits { return j.k.ToReach(j.now) }
