package forecast

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"ashlamp/rules/track"
)

// Target is what a forecast tells the time of.
type Target string

// The targets of the outside contract.
const (
	// SteamToMove: when there is no longer steam enough to move.
	SteamToMove Target = "steam-to-move"
	// PressureZero: when the transducer is inside its zero band.
	PressureZero Target = "pressure-zero"
	// BelowBoiling: when every shell channel is below the boiling point, its margin and
	// errors counted.
	BelowBoiling Target = "below-boiling"
	// FireboxCool: when the firebox is below the limit to house by.
	FireboxCool Target = "firebox-cool"
	// House: when all of "house" that comes from samples and needs no hand is so.
	House Target = "house"
	// BarrelDry: when the barrel has been dry for long enough.
	BarrelDry Target = "barrel-dry"
)

// Assumption is what a forecast takes people to do.
type Assumption string

const (
	// AsIs: cocks, doors and plugs stay as they are.
	AsIs Assumption = "as-is"
	// BlownDown: the cocks are opened now.
	BlownDown Assumption = "blown-down"
)

// Forecast says when something will be reached: the median, and an interval that holds
// it four times in five.
type Forecast struct {
	Target   Target
	Assuming Assumption
	// ETA, Lo and Hi are 0 where nothing honest can be said; Text then says why.
	ETA, Lo, Hi track.Instant
	Text        string
	// Spread is the standard deviation of the logarithm of the remaining time by what is
	// believed of the engine alone, before the model's own misfit is added.
	Spread float64
	way    way
}

// Way tells with which misfit the interval was made: "wet", "runs" or "dry".
func (f Forecast) Way() string { return ways[f.way] }

var ways = [...]string{"wet", "runs", "dry"}

// Limits are what is to be reached, as the instruments will read it.
type Limits struct {
	// MovePa and ZeroPa are gauge pressures in pascal.
	MovePa, ZeroPa float64
	// ShellC, FireboxC and SmokeboxC are what the reading must come down to, in °C, all
	// uncertainties counted.
	ShellC, FireboxC, SmokeboxC float64
	// AirPa is the air's pressure in pascal.
	AirPa float64
	// HousePa is the gauge pressure to house by, in pascal; HouseShell that it waits
	// for the shell as well.
	HousePa    float64
	HouseShell bool
	// CanEmpty: there are cocks to blow it down by, and it is to be emptied hot.
	CanEmpty bool
}

// AheadS is the furthest ahead that anything is foretold, s: three days.
const AheadS = 3 * 24 * 3600

// watchedS is how long, in seconds, must have been watched since the fire went out or
// something changed before a forecast is made.
const watchedS = 300

// draws is how many deviates of the belief are followed besides its mean, in pairs.
const draws = 24

// deviates are standard normal scores in pairs of opposite sign, spread evenly by an
// additive sequence of the roots of the generalised golden ratio (M. Roberts, 2018), so
// that the same belief gives the same interval.
var deviates = func() (out [draws][size + 2]float64) {
	const dims = size + 2
	g := 2.0
	for range 60 {
		g = math.Pow(1+g, 1.0/(dims+1))
	}
	for k := 0; k < draws; k += 2 {
		for i := range dims {
			u := math.Mod(0.5+float64(k/2+1)*math.Pow(1/g, float64(i+1)), 1)
			z := distuv.UnitNormal.Quantile(u)
			out[k][i], out[k+1][i] = z, -z
		}
	}
	// Few draws have too little spread in each place: brought to that of a normal.
	for i := range dims {
		sum := 0.0
		for k := range out {
			sum += out[k][i] * out[k][i]
		}
		f := math.Sqrt(draws / sum)
		for k := range out {
			out[k][i] *= f
		}
	}
	return out
}()

// Q90 is the 0.9 quantile of the standard normal distribution: so many standard
// deviations to either side hold four in five.
const Q90 = 1.2815515655446004

// times is when each thing is passed, s from now; NaN where it is not within [AheadS].
type times struct{ move, zero, shell, firebox, smokebox, housePa float64 }

func (t *times) none() {
	nan := math.NaN()
	*t = times{nan, nan, nan, nan, nan, nan}
}

// marks are the limits as the state passes them, °C.
type marks struct{ move, zero, housePa, shell, firebox, smokebox float64 }

// follow runs a state on until every mark is passed and says when. before is how many
// seconds have gone when the run begins.
func (x vector) follow(h held, d *day, now track.Instant, m *marks, before float64) (t times) {
	t.none()
	r := x.rates()
	h.air = d.temperature(now.Add(before))
	a := x.at(&h)
	pass := func(at *float64, from, to, mark, dt, gone float64) {
		if !math.IsNaN(*at) || math.IsNaN(mark) {
			return
		}
		switch {
		case from <= mark:
			*at = gone
		case to <= mark:
			*at = gone + dt*(from-mark)/(from-to)
		}
	}
	for gone := 0.0; gone < AheadS; {
		dt := math.Min(1200, math.Max(30, gone/20))
		h.air = d.temperature(now.Add(before + gone + dt/2))
		x.step(&h, &r, dt)
		b := x.at(&h)
		pass(&t.move, a.shell, b.shell, m.move, dt, gone)
		pass(&t.zero, a.shell, b.shell, m.zero, dt, gone)
		pass(&t.housePa, a.shell, b.shell, m.housePa, dt, gone)
		pass(&t.shell, a.shell, b.shell, m.shell, dt, gone)
		pass(&t.firebox, a.firebox, b.firebox, m.firebox, dt, gone)
		pass(&t.smokebox, a.smoke, b.smoke, m.smokebox, dt, gone)
		a = b
		gone += dt
		if !(a.shell > m.zero || a.shell > m.shell || a.shell > m.move || a.shell > m.housePa || a.firebox > m.firebox || a.smoke > m.smokebox) {
			break
		}
	}
	return t
}

type readings struct{ shell, firebox, smoke float64 }

func (x *vector) at(h *held) readings { return readings{x[iShell], x.firebox(h), x[iSmoke]} }
