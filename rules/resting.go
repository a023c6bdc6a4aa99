package rules

import (
	"math"
	"slices"
	"time"

	"ashlamp/rules/disposal"
	"ashlamp/rules/layup"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// restEveryS is how often, in seconds of data, the air about a resting boiler is
// looked at: it changes over hours.
const restEveryS = 300

// resting is what is kept of an engine between its disposals.
type resting struct {
	since   track.Instant // 0 while it does not rest
	looked  track.Instant
	sampled track.Instant
	hours   layup.Hours
	drying  layup.Drying
	first   float64 // level of the glass as the rest began; NaN for not known
	cleared bool    // ash and char, when it was housed
	ajar    bool    // the smokebox door, when it was housed
	repairs []string
	wanted  time.Time
	lowestC float64 // of the shed's air in this rest; NaN for not known
}

// SavedRest is what of a rest must outlive a restart.
type SavedRest struct {
	Since   track.Instant    `json:"since,omitempty"`
	Hours   layup.SavedHours `json:"hours"`
	First   *float64         `json:"first,omitempty"`
	LowestC *float64         `json:"lowest_c,omitempty"`
	Cleared bool             `json:"cleared,omitempty"`
	Ajar    bool             `json:"ajar,omitempty"`
}

func number(v float64) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	return &v
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func (r *resting) saved() SavedRest {
	return SavedRest{
		Since: r.since, Hours: r.hours.Saved(), First: number(r.first), LowestC: number(r.lowestC),
		Cleared: r.cleared, Ajar: r.ajar,
	}
}

// restore takes up a rest that began before what was judged again.
func (r *resting) restore(s SavedRest) {
	if s.Since == 0 {
		return
	}
	r.since, r.first, r.lowestC = s.Since, orNaN(s.First), orNaN(s.LowestC)
	r.cleared, r.ajar = s.Cleared, s.Ajar
	r.hours.Restore(s.Hours)
}

// restBegun says that the engine was housed: its rest begins.
func (j *Judge) restBegun(at track.Instant) {
	level, known := math.NaN(), false
	if t := j.k.Track(telemetry.BoilerLevel); t != nil {
		level, known = t.Fresh(j.now)
	}
	if !known {
		level = math.NaN()
	}
	drying := j.rest.drying
	j.rest = resting{
		since: at, first: level, lowestC: math.NaN(), repairs: j.rest.repairs, wanted: j.rest.wanted, drying: drying,
		cleared: j.stands("ash-cleared"), ajar: j.stands("smokebox-ajar"),
	}
}

// restEnded says that a fire was lit. What was booked for repair stays.
func (j *Judge) restEnded() {
	j.rest = resting{repairs: j.rest.repairs, first: math.NaN(), lowestC: math.NaN()}
}

// rested looks at the air about a resting boiler.
func (j *Judge) rested() {
	r := &j.rest
	if j.now.Sub(r.sampled) < restEveryS {
		return
	}
	k := &j.w.known
	out := k.PlugsRemoved
	if r.since == 0 && !out {
		return
	}
	r.sampled = j.now
	coldest, mean, n := math.Inf(1), 0.0, 0
	for _, s := range k.Shells {
		if s.Known {
			coldest, mean, n = math.Min(coldest, s.Value), mean+s.Value, n+1
		}
	}
	if n == 0 {
		return
	}
	mean /= float64(n)
	barrel := math.NaN()
	if t := j.k.Track(telemetry.BoilerHumidity); t != nil {
		if v, ok := t.Fresh(j.now); ok {
			barrel = math.Min(v, 100)
		}
	}
	if out && !math.IsNaN(barrel) {
		// The instrument sits at the steel, at the coldest place (configuration).
		// What is no air is left out: it says nothing of drying.
		_ = r.drying.Add(j.now, layup.Air{TemperatureC: coldest, HumidityPercent: barrel, MetalC: coldest})
	}
	if r.since == 0 {
		return
	}
	if k.Air.Known {
		if math.IsNaN(r.lowestC) || k.Air.Value < r.lowestC {
			r.lowestC = k.Air.Value
		}
	}
	air := layup.Air{TemperatureC: k.Air.Value, HumidityPercent: math.Min(k.AirHumidity.Value, 100), MetalC: coldest}
	known := k.Air.Known && k.AirHumidity.Known
	if out && !math.IsNaN(barrel) {
		air, known = layup.Air{TemperatureC: mean, HumidityPercent: barrel, MetalC: coldest}, true
	}
	if known {
		_ = r.hours.Add(j.now, air, j.engine.Limits.At(limit.DewMargin))
	}
}

// hearRest takes what a person says about a rest, or what is to be mended.
func (j *Judge) hearRest(ev telemetry.Event, at track.Instant) {
	r := &j.rest
	switch ev.Kind {
	case telemetry.RepairBooked:
		if !slices.Contains(r.repairs, ev.Subject) {
			r.repairs = append(r.repairs, ev.Subject)
		}
	case telemetry.RepairDone:
		r.repairs = slices.DeleteFunc(r.repairs, func(s string) bool { return s == ev.Subject })
	case telemetry.NextWanted:
		r.wanted = ev.Until
	case telemetry.LookedInto:
		r.looked = at
	}
}

// Rest is how an engine rests.
type Rest struct {
	// Since is when it was housed; zero while it is at work.
	Since time.Time
	// Wanted is when it is next wanted; zero where nobody said.
	Wanted time.Time
	Advice layup.Advice
	// Damp is for how long steel was damp since then; Air how it is now, where Known.
	Damp  layup.Damp
	Air   layup.State
	Known bool
	// Drying is the progress of an open barrel.
	Drying layup.Progress
	// FrostMarginK is how far the shed's air is above the frost limit, the uncertainty
	// taken off; NaN where not known.
	FrostMarginK float64
	Reminders    []layup.Reminder
	Repairs      []string
}

// Rest returns how the engine rests, and what should be done.
func (j *Judge) Rest() Rest {
	r := &j.rest
	k := &j.w.known
	frost := j.engine.Limits.At(limit.Frost)
	out := Rest{
		Since: timeOf(r.since), Wanted: r.wanted, Damp: r.hours.Damp(), Repairs: slices.Clone(r.repairs),
		Advice:       layup.Advise(layup.Plan{Now: j.now.Time(), Next: r.wanted, LowestC: r.lowestC, FrostC: frost}),
		Drying:       r.drying.At(j.now, j.engine.Limits.At(limit.BarrelRH)),
		FrostMarginK: math.NaN(),
	}
	out.Air, out.Known = r.hours.Now(j.now)
	if k.Air.Known {
		out.FrostMarginK = layup.FrostMargin(k.Air.Value, k.Air.U, frost)
	}
	resting := layup.Resting{
		Phase: j.d.Phase(), LayUp: j.k.LayUp, Since: r.since, LookedAt: r.looked,
		PlugsRemoved: k.PlugsRemoved, SmokeboxAjar: r.ajar, AshCleared: r.cleared,
		LevelKnown: k.Level.Known && !math.IsNaN(r.first), Level: k.Level.Value, LevelAtFirst: r.first,
		Repairs: r.repairs,
	}
	if p := resting.Phase; p == disposal.Housed || p == disposal.LaidUp || p == disposal.LightingUp || p == disposal.InSteam || k.PlugsRemoved {
		out.Reminders = layup.Reminders(resting, j.now)
	}
	return out
}
