// Package cooldown draws up one disposal as it went: when each mark was passed, how
// fast the boiler lost its heat, and how far what was foretold came true. A [Recorder]
// is fed the samples, words and phases of an engine in order, in constant memory, and
// gives a [Summary] at any time.
//
// A summary tells what was, not what to do: nothing in it proves anything.
package cooldown

import (
	"slices"
	"time"

	"ashlamp/rules/telemetry"
)

// Summary is one disposal as it went. What is not known is nil, null in JSON: never a
// number in its place. Times are UTC.
type Summary struct {
	// Engine is the engine's id.
	Engine string `json:"engine"`
	// Begun and Ended are of the disposal; Ended is null while it is open.
	Begun time.Time  `json:"begun"`
	Ended *time.Time `json:"ended"`
	// LayUp is the lay-up that it led to; empty where nobody said.
	LayUp telemetry.LayUp `json:"lay_up"`
	// First is how the engine was as it began.
	First First `json:"first"`
	// Passed is when each mark was passed.
	Passed Passed `json:"passed"`
	// HeatLoss is UA/C of the shut boiler in 1/h: its conductance to the air over the
	// heat capacity of water and steel. Steam that is drawn meanwhile, to move or for a
	// blower, counts as lost: no channel tells of it. HeatLossHigh and HeatLossLow are the
	// same above and below half the working pressure.
	HeatLoss     *Rate `json:"heat_loss"`
	HeatLossHigh *Rate `json:"heat_loss_high"`
	HeatLossLow  *Rate `json:"heat_loss_low"`
	// FallAt100K is how fast the saturation temperature of the shut boiler fell where it
	// was 100 K above the air, in K/h.
	FallAt100K *Rate `json:"fall_at_100k"`
	// FireboxTimeConstant is that of the firebox's excess over the shell once the fire
	// was out, ShellTimeConstant that of the emptied shell's excess over the air, in hours.
	FireboxTimeConstant *Rate `json:"firebox_time_constant"`
	ShellTimeConstant   *Rate `json:"shell_time_constant"`
	// PressureLag is by how many seconds the pressure followed the shell late; negative
	// where the shell was the later.
	PressureLag *Rate `json:"pressure_lag"`
	// FastestCooling is the fastest cooling of any shell channel over 10 minutes, K/h,
	// LargestSpread the largest difference between top and bottom of the shell, K.
	FastestCooling *float64 `json:"fastest_cooling"`
	LargestSpread  *float64 `json:"largest_spread"`
	// TankDrainS is from the first fall to the empty limit, s; of two tanks from the
	// first fall of either until both are empty.
	TankDrainS *float64 `json:"tank_drain_s"`
	// DryingH is from plugs out until the barrel was dry, hours.
	DryingH *float64 `json:"drying_h"`
	// Samples is how many samples it was drawn up from.
	Samples int `json:"samples"`
	// Forecasts are what was foretold and when it came, by target, earliest first.
	Forecasts []Outcome `json:"forecasts"`
}

// First is how an engine was as its disposal began; null for what was not known within
// [FirstWithinS].
type First struct {
	// PressurePa is gauge. ShellC is the hottest shell channel, Level the glass from 0
	// to 1, AirC the shed's air.
	PressurePa *float64 `json:"pressure_pa"`
	ShellC     *float64 `json:"shell_c"`
	FireboxC   *float64 `json:"firebox_c"`
	Level      *float64 `json:"level"`
	AirC       *float64 `json:"air_c"`
}

// Passed is when each mark was passed: the first moment of the hold time for which it
// then stayed so, readings taken with their expanded uncertainty on the late side. Nil
// where it was not.
type Passed struct {
	FireOut          *time.Time `json:"fire_out"`
	BlowDownBegun    *time.Time `json:"blow_down_begun"`
	BlowDownFinished *time.Time `json:"blow_down_finished"`
	// PressureZero: inside the zero band.
	PressureZero *time.Time `json:"pressure_zero"`
	// BelowBoiling: every shell channel below the boiling point here less its margin, the
	// error of contact counted.
	BelowBoiling *time.Time `json:"below_boiling"`
	// FireboxCool and SmokeboxCool: below the limit to house by.
	FireboxCool  *time.Time `json:"firebox_cool"`
	SmokeboxCool *time.Time `json:"smokebox_cool"`
	// Touchable: firebox and smokebox, as far as they are measured, below the limit of touch.
	Touchable *time.Time `json:"touchable"`
	// TanksEmpty: at or below the level at which a tank is empty, as read.
	TanksEmpty   *time.Time `json:"tanks_empty"`
	PlugsRemoved *time.Time `json:"plugs_removed"`
	// BarrelDry: below the limit of humidity, with the plugs out; it was dry for a day
	// from then.
	BarrelDry *time.Time `json:"barrel_dry"`
}

// Rate is a figure fitted by least squares, in the unit that its field tells.
type Rate struct {
	Value float64 `json:"value"`
	// Lo and Hi bound the 95 % confidence interval; null where the residuals hang
	// together so much that none can be told.
	Lo *float64 `json:"lo"`
	Hi *float64 `json:"hi"`
	// Means is how many means it was fitted to, Effective how many independent ones
	// those are worth, Hours over what time they lie.
	Means     int     `json:"means"`
	Effective float64 `json:"effective"`
	Hours     float64 `json:"hours"`
}

// Outcome is a forecast, and what came of it.
type Outcome struct {
	// Target is the forecast's id, Assuming what people were taken to do.
	Target   string    `json:"target"`
	Assuming string    `json:"assuming"`
	MadeAt   time.Time `json:"made_at"`
	// LeadS is from MadeAt to Reached, s.
	LeadS float64 `json:"lead_s"`
	// Eta is the median that was foretold, Lo and Hi the ends of the 80 % interval; nil
	// where none were.
	Eta time.Time  `json:"eta"`
	Lo  *time.Time `json:"lo"`
	Hi  *time.Time `json:"hi"`
	// Reached is when it came. ErrorS is Reached less Eta, s: positive where it came
	// later than foretold. Within is that it came within the interval; null without one.
	Reached time.Time `json:"reached"`
	ErrorS  float64   `json:"error_s"`
	Within  *bool     `json:"within"`
}

// Fill takes over from an earlier drawing-up of the same disposal what this one could
// not see: after a restart only the newest samples are fed again. One of another disposal
// changes nothing.
func (s *Summary) Fill(k Summary) {
	if !k.Begun.Equal(s.Begun) || k.Engine != s.Engine {
		return
	}
	if s.LayUp == "" {
		s.LayUp = k.LayUp
	}
	first := []struct{ to, from **float64 }{
		{&s.First.PressurePa, &k.First.PressurePa}, {&s.First.ShellC, &k.First.ShellC},
		{&s.First.FireboxC, &k.First.FireboxC}, {&s.First.Level, &k.First.Level}, {&s.First.AirC, &k.First.AirC},
	}
	for _, f := range first {
		if *f.from != nil {
			*f.to = *f.from
		}
	}
	theirs := k.Passed.all()
	for i, t := range s.Passed.all() {
		if from := *theirs[i]; from != nil && (*t == nil || from.Before(**t)) {
			*t = from
		}
	}
	for _, r := range []struct {
		to   **Rate
		from *Rate
	}{
		{&s.HeatLoss, k.HeatLoss}, {&s.HeatLossHigh, k.HeatLossHigh}, {&s.HeatLossLow, k.HeatLossLow},
		{&s.FallAt100K, k.FallAt100K}, {&s.FireboxTimeConstant, k.FireboxTimeConstant},
		{&s.ShellTimeConstant, k.ShellTimeConstant}, {&s.PressureLag, k.PressureLag},
	} {
		if r.from != nil && (*r.to == nil || r.from.Hours > (*r.to).Hours) {
			*r.to = r.from
		}
	}
	for _, f := range []struct {
		to   **float64
		from *float64
	}{
		{&s.FastestCooling, k.FastestCooling}, {&s.LargestSpread, k.LargestSpread}, {&s.TankDrainS, k.TankDrainS},
	} {
		if f.from != nil && (*f.to == nil || *f.from > **f.to) {
			*f.to = f.from
		}
	}
	if s.Ended == nil {
		s.Ended = k.Ended
	}
	s.DryingH = s.Passed.drying()
	s.Samples = max(s.Samples, k.Samples)
	// What came of a forecast stands as it was written; of others what is known now.
	own := s.Forecasts
	s.Forecasts = slices.Clone(k.Forecasts)
	for _, o := range own {
		if !slices.ContainsFunc(k.Forecasts, func(x Outcome) bool { return x.Target == o.Target && x.Assuming == o.Assuming }) {
			s.Forecasts = append(s.Forecasts, o)
		}
	}
	slices.SortStableFunc(s.Forecasts, before)
}

// all are the marks, always in the same order.
func (p *Passed) all() []**time.Time {
	return []**time.Time{
		&p.FireOut, &p.BlowDownBegun, &p.BlowDownFinished, &p.PressureZero, &p.BelowBoiling,
		&p.FireboxCool, &p.SmokeboxCool, &p.Touchable, &p.TanksEmpty, &p.PlugsRemoved, &p.BarrelDry,
	}
}

func (p *Passed) drying() *float64 {
	if p.PlugsRemoved == nil || p.BarrelDry == nil {
		return nil
	}
	h := p.BarrelDry.Sub(*p.PlugsRemoved).Hours()
	return &h
}

// Equal reports whether the same marks were passed at the same times.
func (p Passed) Equal(o Passed) bool {
	theirs := o.all()
	for i, t := range p.all() {
		a, b := *t, *theirs[i]
		if (a == nil) != (b == nil) || a != nil && !a.Equal(*b) {
			return false
		}
	}
	return true
}
