package boiler

import (
	"fmt"
	"math"

	"ashlamp/rules/discharge"
	"ashlamp/rules/steam"
)

// Range of the property table, in °C. IF97 gives the saturation line from 0 °C;
// below that vapour pressure is continued over undercooled water by Sonntag's
// formula (Zeitschrift für Meteorologie 70 (1990) 340) and energies by their
// slope at 0 °C.
const (
	tableLow  = -45.0
	tableHigh = 340.0
	tableStep = 1.0
	// dryHigh is how hot steam without water may get.
	dryHigh = 1200.0
)

// Ideal-gas constants of dry air and of water vapour, J/(kg K) (ISO 2533; IAPWS
// R7-97), and heat capacities of air near 350 K (from memory; 1 % over the range).
const (
	gasAir   = 287.05
	gasWater = 461.526
	cvAir    = 720.0
	cpAir    = cvAir + gasAir
	zeroC    = 273.15
)

// airEnthalpy returns the enthalpy of dry air in J/kg on the scale on which its
// internal energy is cvAir times the temperature in °C.
func airEnthalpy(tC float64) float64 { return cpAir*tC + gasAir*zeroC }

// cubic is one interval's polynomial in the fraction of the interval.
type cubic [4]float64

func (c *cubic) at(x float64) float64 { return c[0] + x*(c[1]+x*(c[2]+x*c[3])) }
func (c *cubic) slope(x float64) float64 {
	return (c[1] + x*(2*c[2]+3*x*c[3])) / tableStep
}

// interval holds all properties of one step of temperature side by side, so that
// one look-up touches one stretch of memory.
type interval struct {
	p    cubic // saturation pressure, Pa
	vl   cubic // volume of saturated liquid, m3/kg
	ul   cubic // internal energy of saturated liquid, J/kg
	rhov cubic // density of saturated vapour, kg/m3
	uv   cubic // internal energy of saturated vapour, J/kg
	u0   cubic // internal energy of vapour at vanishing pressure, J/kg
}

// Properties are tables of saturated water and of critical flow, built once from
// IF97 and shared by any number of vessels: they are read only.
type Properties struct {
	steps []interval
	// flux of saturated water and of steam against pressure, for one ambient
	// pressure each; see [Properties.waterFlux].
	flux []fluxRow
}

// The flux tables stand at these ambient pressures, linear between: sea level in
// a high, down to 2000 m in a low.
var fluxAmbient = [...]float64{75e3, 90e3, 105e3}

// fluxPoints is the number of points per ambient pressure, at equal steps of the
// square root of the excess pressure, since near zero flux goes with that root.
const (
	fluxPoints   = 129
	fluxExcessTo = 24e5
)

type fluxRow struct{ water, vapour [fluxPoints]float64 }

// NewProperties builds the tables. It takes some milliseconds and fails only if
// the property functions do.
func NewProperties() (*Properties, error) {
	zero, err := steam.AtTemperature(0.01)
	if err != nil {
		return nil, fmt.Errorf("property table at 0.01 °C: %w", err)
	}
	n := int(math.Round((tableHigh-tableLow)/tableStep)) + 1
	at, slope := make([]column, n), make([]column, n)
	for i := range at {
		t := tableLow + float64(i)*tableStep
		var side [2]column
		// Slopes by a narrow difference, never across 0.01 °C, where the ways of
		// computing change.
		const narrow = 0.02
		lo, hi := t-narrow, t+narrow
		if t < 0.01 && hi > 0 {
			hi = t
		}
		for k, tk := range []float64{lo, hi} {
			if side[k], err = properties(tk, zero); err != nil {
				return nil, err
			}
		}
		if at[i], err = properties(t, zero); err != nil {
			return nil, err
		}
		for k := range slope[i] {
			slope[i][k] = (side[1][k] - side[0][k]) / (hi - lo) * tableStep
		}
	}
	p := &Properties{steps: make([]interval, n-1, n)}
	for i := range n - 1 {
		iv := &p.steps[i]
		for k, c := range []*cubic{&iv.p, &iv.vl, &iv.ul, &iv.rhov, &iv.uv, &iv.u0} {
			y0, y1, m0, m1 := at[i][k], at[i+1][k], slope[i][k], slope[i+1][k]
			*c = cubic{y0, m0, 3*(y1-y0) - 2*m0 - m1, 2*(y0-y1) + m0 + m1}
		}
	}
	// Above the table only thin steam over dry, overheated plates is simulated: its
	// energy goes on along the last slope, and what belongs to saturation stays.
	end, up := at[n-1], slope[n-1]
	p.steps = append(p.steps, interval{
		p: cubic{end[0]}, vl: cubic{end[1]}, ul: cubic{end[2]}, rhov: cubic{end[3]},
		uv: cubic{end[4], up[5]}, u0: cubic{end[5], up[5]},
	})
	p.flux = make([]fluxRow, len(fluxAmbient))
	for i, amb := range fluxAmbient {
		for j := 1; j < fluxPoints; j++ {
			r := float64(j) / (fluxPoints - 1)
			p0 := amb + fluxExcessTo*r*r
			if p.flux[i].water[j], err = discharge.HEM(p0, amb); err != nil {
				return nil, fmt.Errorf("flux table of water at %.0f Pa: %w", p0, err)
			}
			if p.flux[i].vapour[j], err = discharge.SteamFlow(p0, amb); err != nil {
				return nil, fmt.Errorf("flux table of steam at %.0f Pa: %w", p0, err)
			}
		}
	}
	return p, nil
}

// sonntag is the vapour pressure over (undercooled) water in Pa, -100..100 °C.
func sonntag(tC float64) float64 {
	t := tC + zeroC
	return 100 * math.Exp(-6096.9385/t+16.635794-2.711193e-2*t+1.673952e-5*t*t+2.433502*math.Log(t))
}

// column holds the tabulated properties at one temperature, in the order of
// [interval].
type column [6]float64

// properties computes a column; zero is the state at 0.01 °C, from which what
// lies below is continued.
func properties(t float64, zero steam.Saturated) (column, error) {
	if t < 0.01 {
		p := sonntag(t) * zero.Pressure / sonntag(0.01)
		uv := zero.Vapour.InternalEnergy + 1400*(t-0.01)
		return column{p, zero.Liquid.Volume, zero.Liquid.InternalEnergy + 4218*(t-0.01), p / (gasWater * (t + zeroC)), uv, uv}, nil
	}
	s, err := steam.AtTemperature(t)
	if err != nil {
		return column{}, fmt.Errorf("property table at %.2f °C: %w", t, err)
	}
	thin, err := steam.Steam(math.Min(100, s.Pressure*0.2), t)
	if err != nil {
		return column{}, fmt.Errorf("property table, thin steam at %.2f °C: %w", t, err)
	}
	return column{s.Pressure, s.Liquid.Volume, s.Liquid.InternalEnergy, 1 / s.Vapour.Volume, s.Vapour.InternalEnergy, thin.InternalEnergy}, nil
}

// find returns the interval of a temperature and the fraction within it. Below
// the table it returns the first with a fraction below 0, above it the one that
// goes on without end; the vessel refuses what makes no sense there ([Vessel.Err]).
func (p *Properties) find(tC float64) (*interval, float64) {
	x := (tC - tableLow) / tableStep
	i := max(0, min(int(x), len(p.steps)-1))
	return &p.steps[i], x - float64(i)
}

// Saturation returns the saturation pressure in Pa at a temperature in °C, NaN
// outside -45..340 °C.
func (p *Properties) Saturation(tC float64) float64 {
	if !(tC >= tableLow && tC <= tableHigh) {
		return math.NaN()
	}
	iv, x := p.find(tC)
	return iv.p.at(x)
}

// Boiling returns the boiling point in °C at a pressure in Pa, NaN where it lies
// outside the table.
func (p *Properties) Boiling(pPa float64) float64 {
	lo, hi := tableLow, tableHigh-1e-6 // within the last interval that is a saturation line
	if !(pPa >= p.steps[0].p[0] && pPa <= p.Saturation(hi)) {
		return math.NaN()
	}
	// Start from the slope of the vapour pressure curve near 100 °C; Newton's
	// steps on a convex curve then come from above.
	t := 100 + 28*math.Log(pPa/101325)
	for range 60 {
		t = math.Max(lo, math.Min(hi, t))
		iv, x := p.find(t)
		step := (iv.p.at(x) - pPa) / iv.p.slope(x)
		t -= step
		if math.Abs(step) < 1e-10 {
			break
		}
	}
	return t
}

func (p *Properties) fluxAt(p0, ambient float64, vapour bool) float64 {
	excess := p0 - ambient
	if !(excess > 0) {
		return 0
	}
	r := math.Sqrt(excess/fluxExcessTo) * (fluxPoints - 1)
	j := min(int(r), fluxPoints-2)
	f := r - float64(j)
	a := (ambient - fluxAmbient[0]) / (fluxAmbient[1] - fluxAmbient[0])
	i := max(0, min(int(a), len(fluxAmbient)-2))
	a -= float64(i)
	row := func(i int) float64 {
		t := &p.flux[i].water
		if vapour {
			t = &p.flux[i].vapour
		}
		return t[j] + f*(t[j+1]-t[j])
	}
	return (1-a)*row(i) + a*row(i+1)
}

// WaterFlux returns the mass flux in kg/(m2 s) of saturated water let out from a
// pressure to an ambient pressure, both Pa absolute, by the homogeneous
// equilibrium model ([discharge.HEM]). It is 0 where p0 is not above ambient.
func (p *Properties) WaterFlux(p0, ambient float64) float64 { return p.fluxAt(p0, ambient, false) }

// SteamFlux returns the mass flux in kg/(m2 s) of dry saturated steam
// ([discharge.SteamFlow]).
func (p *Properties) SteamFlux(p0, ambient float64) float64 { return p.fluxAt(p0, ambient, true) }
