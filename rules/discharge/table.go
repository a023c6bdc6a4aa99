package discharge

import (
	"math"

	"ashlamp/rules/steam"
)

// Table holds [HEM] and [SteamFlow] for one ambient pressure, for loops that
// ask millions of times. It is built once and does not change, so that any
// number of goroutines may read it. Its error is below 0.01 % of the flux, or
// 0.05 kg/(m2 s) where that is more.
type Table struct {
	ambient, top float64
	perStep      float64
	water, dry   []float64
}

// tableSteps makes a table of 2 × 8 kB.
const tableSteps = 1024

// NewTable returns a table from ambientPa up to maxPa, both absolute. The
// errors are those of [HEM].
func NewTable(ambientPa, maxPa float64) (*Table, error) {
	if err := check(maxPa, ambientPa); err != nil {
		return nil, err
	}
	if maxPa == ambientPa {
		return nil, &steam.RangeError{Quantity: "highest pressure of the table", Value: maxPa,
			Min: ambientPa, Max: steam.MaxSaturatedPressure, Unit: "Pa", Mend: "give one above the ambient"}
	}
	t := &Table{
		ambient: ambientPa, top: maxPa,
		water: make([]float64, tableSteps+2), dry: make([]float64, tableSteps+2),
	}
	// Near the ambient the flux goes with the root of the difference and bends
	// most, far from it with the pressure: the fourth root puts the points there.
	root := math.Sqrt(math.Sqrt(maxPa - ambientPa))
	t.perStep = tableSteps / root
	for i := 1; i <= tableSteps; i++ {
		u := root * float64(i) / tableSteps
		p := min(ambientPa+u*u*u*u, maxPa)
		var err error
		if t.water[i], err = HEM(p, ambientPa); err != nil {
			return nil, err
		}
		if t.dry[i], err = SteamFlow(p, ambientPa); err != nil {
			return nil, err
		}
	}
	t.water[tableSteps+1], t.dry[tableSteps+1] = t.water[tableSteps], t.dry[tableSteps]
	return t, nil
}

// HEM is [HEM] from the table. A pressure outside the table, or NaN, returns a
// [*steam.RangeError].
func (t *Table) HEM(p0Pa float64) (kgPerM2S float64, err error) { return t.at(t.water, p0Pa) }

// SteamFlow is [SteamFlow] from the table, with the errors of [Table.HEM].
func (t *Table) SteamFlow(p0Pa float64) (kgPerM2S float64, err error) { return t.at(t.dry, p0Pa) }

func (t *Table) at(g []float64, p float64) (float64, error) {
	if !(p >= t.ambient && p <= t.top) {
		return math.NaN(), &steam.RangeError{Quantity: "pressure before the opening", Value: p, Min: t.ambient, Max: t.top, Unit: "Pa",
			Mend: "build the table up to a higher pressure; below its ambient nothing flows out"}
	}
	u := math.Sqrt(math.Sqrt(p-t.ambient)) * t.perStep
	i := min(int(u), tableSteps) // rounding may pass the end by a hair
	f := u - float64(i)
	return g[i] + f*(g[i+1]-g[i]), nil
}
