package moistair_test

import (
	"math"
	"testing"

	"ashlamp/rules/moistair"
	"ashlamp/rules/steam"
)

// The second published formula: R. W. Hyland and A. Wexler, Formulations for the
// thermodynamic properties of the saturated phases of H2O from 173.15 K to 473.15 K,
// ASHRAE Transactions 89 (2A) (1983) 500-519, as equations 5 and 6 of ASHRAE Handbook
// - Fundamentals 2017, chapter 1. The coefficients are from memory; that they are the
// published ones is what TestHylandWexlerIsAsPublished shows.

// hylandWexlerIce is in Pa over ice, -100 to 0.01 °C.
func hylandWexlerIce(tC float64) float64 {
	t := tC + 273.15
	return math.Exp(-5.6745359e3/t + 6.3925247 + t*(-9.677843e-3+t*(6.2215701e-7+t*(2.0747825e-9+t*-9.484024e-13))) + 4.1635019*math.Log(t))
}

// hylandWexlerWater is in Pa over water, 0 to 200 °C.
func hylandWexlerWater(tC float64) float64 {
	t := tC + 273.15
	return math.Exp(-5.8002206e3/t + 1.3914993 + t*(-4.8640239e-2+t*(4.1764768e-5+t*-1.4452093e-8)) + 6.5459673*math.Log(t))
}

// magnusWater is the third: in Pa over water, -45 to 60 °C (WMO-No. 8, annex 4.B,
// without the enhancement factor).
func magnusWater(tC float64) float64 { return 611.2 * math.Exp(17.62*tC/(243.12+tC)) }

// magnusIce is in Pa over ice, -65 to 0 °C, from the same annex.
func magnusIce(tC float64) float64 { return 611.2 * math.Exp(22.46*tC/(272.62+tC)) }

// sublimation is the third for ice: in Pa, -223 to 0.01 °C (IAPWS R14-08(2011),
// equation 6; the coefficients are from memory, and reproduce the table's column).
func sublimation(tC float64) float64 {
	th := (tC + 273.15) / 273.16
	return 611.657 * math.Exp((-21.2144006*math.Pow(th, 0.333333333e-2)+27.3203819*math.Pow(th, 1.20666667)-6.1059813*math.Pow(th, 1.70333333))/th)
}

// solve finds where f, which rises, is want, by halving.
func solve(f func(float64) float64, want, lo, hi float64) float64 {
	for range 80 {
		if mid := (lo + hi) / 2; f(mid) < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// difference keeps the largest of its kind, and where it was.
type difference struct{ most, at float64 }

func (d *difference) see(x, at float64) {
	if !(math.Abs(x) <= d.most) { // also true for NaN
		d.most, d.at = math.Abs(x), at
	}
}

func TestHylandWexlerIsAsPublished(t *testing.T) {
	n := 0
	for _, r := range rows(t, "psychro_saturation.csv") {
		got := hylandWexlerWater(r["t_c"])
		if r["t_c"] < 0.01 {
			got = hylandWexlerIce(r["t_c"])
		}
		if !(math.Abs(got-r["psat_ashrae_pa"]) <= 0.00051) {
			t.Errorf("%g °C: got %.4f, want %.3f Pa", r["t_c"], got, r["psat_ashrae_pa"])
		}
		if want := r["psub_iapws_r14_pa"]; !math.IsNaN(want) && !(math.Abs(sublimation(r["t_c"])-want) <= 0.00051) {
			t.Errorf("%g °C, sublimation: got %.4f, want %.3f Pa", r["t_c"], sublimation(r["t_c"]), want)
		}
		n++
	}
	for _, r := range rows(t, "psychro_ashrae_table_checks.csv", "phase") {
		got, tol := hylandWexlerWater(r["t_c"]), 3e-4 // the tolerance of the program that they are quoted from
		if r["phase=ice"] == 1 {
			got = hylandWexlerIce(r["t_c"])
		}
		if r["t_c"] == -60 {
			tol = 5e-3 // three digits are printed
		}
		if !(math.Abs(got/r["psat_pa"]-1) <= tol) {
			t.Errorf("%g °C: got %.4f, want %g Pa as printed", r["t_c"], got, r["psat_pa"])
		}
		n++
	}
	if n != 99 {
		t.Errorf("%d points, want 99", n)
	}
}

// Over all temperatures that a shed, a barrel and steel see, not only at the table's.
func TestSaturationAgainstOtherFormulas(t *testing.T) {
	water := func(tC float64) float64 { p, _ := moistair.SaturationOverWater(tC); return p }
	ice := func(tC float64) float64 { p, _ := moistair.SaturationOverIce(tC); return p }
	if97 := func(tC float64) float64 { p, _ := steam.SaturationPressure(tC); return p }
	for _, c := range []struct {
		name       string
		ours, that func(float64) float64
		lo, hi     float64
		most       float64 // relative
	}{
		{"water, Hyland and Wexler", water, hylandWexlerWater, 0.01, 100, 2.6e-4},
		{"water, IAPWS-IF97", water, if97, 0.01, 100, 1.4e-4},
		{"water, Magnus", water, magnusWater, -45, 60, 4.1e-3},
		{"water, Magnus, above freezing", water, magnusWater, 0, 60, 3.3e-3},
		{"ice, Hyland and Wexler", ice, hylandWexlerIce, -40, 0.01, 6.6e-4},
		{"ice, Hyland and Wexler, whole range", ice, hylandWexlerIce, -100, 0.01, 2.2e-3},
		{"ice, IAPWS sublimation", ice, sublimation, -40, 0.01, 3.4e-4},
		{"ice, IAPWS sublimation, whole range", ice, sublimation, -100, 0.01, 2e-3},
		{"ice, Magnus", ice, magnusIce, -65, 0, 1.4e-3},
	} {
		var d difference
		for i := range 10_001 {
			tC := min(c.lo+(c.hi-c.lo)*float64(i)/10_000, c.hi)
			d.see(c.ours(tC)/c.that(tC)-1, tC)
		}
		if !(d.most <= c.most) {
			t.Errorf("%s, %g to %g °C: differs by %.3g at %.2f °C, want at most %.2g", c.name, c.lo, c.hi, d.most, d.at, c.most)
		}
		t.Logf("%s, %g to %g °C: at most %.4f %%, at %.2f °C", c.name, c.lo, c.hi, 100*d.most, d.at)
	}
}

// Dew and frost points by the other formulas, solved by halving: no code in common.
func TestDewPointAgainstOtherFormulas(t *testing.T) {
	var dewHW, frostHW, dewMagnus difference
	for tC := 0.5; tC <= 60; tC += 0.5 {
		for rh := 1.0; rh <= 100; rh++ {
			dew, err := moistair.DewPoint(tC, rh)
			if err != nil {
				t.Fatalf("%g °C %g %%: %v", tC, rh, err)
			}
			e := hylandWexlerWater(tC) * rh / 100
			if dew > 0.1 {
				dewHW.see(dew-solve(hylandWexlerWater, e, 0, 100), tC)
			}
			if dew < -0.1 && dew > -60 {
				frost, err := moistair.FrostPoint(tC, rh)
				if err != nil {
					t.Fatalf("frost point at %g °C %g %%: %v", tC, rh, err)
				}
				frostHW.see(frost-solve(hylandWexlerIce, e, -100, 0.01), tC)
			}
			if dew > -45 {
				g := math.Log(magnusWater(tC) * rh / 100 / 611.2)
				dewMagnus.see(dew-243.12*g/(17.62-g), tC)
			}
		}
	}
	for _, c := range []struct {
		name string
		d    difference
		most float64 // K
	}{
		{"dew point, Hyland and Wexler", dewHW, 0.0035},
		{"frost point, Hyland and Wexler", frostHW, 0.007},
		{"dew point, Magnus", dewMagnus, 0.095},
	} {
		if !(c.d.most <= c.most) {
			t.Errorf("%s: differs by %.4f K in air of %g °C, want at most %g", c.name, c.d.most, c.d.at, c.most)
		}
		t.Logf("%s: at most %.4f K, in air of %g °C", c.name, c.d.most, c.d.at)
	}
}

// Every row of the table's ASHRAE columns, also those below freezing, where they take
// humidity over ice: their vapour pressure is the one of saturation at their dew point,
// and where the air is above freezing both conventions are one.
func TestEveryRowOfTheSecondFormula(t *testing.T) {
	var vapour, dew, frost, solver difference
	dews, frosts := 0, 0
	for _, r := range rows(t, "psychro_dewpoint.csv") {
		tC, rh, at := r["t_c"], r["rh_pct"], r["tdew_ashrae_c"]
		solver.see(at-r["tdew_psychrolib_c"], tC)
		f := moistair.SaturationOverWater
		if at < moistair.TriplePoint {
			f = moistair.SaturationOverIce
		}
		p, err := f(at)
		if err != nil {
			t.Fatalf("%g °C: %v", at, err)
		}
		vapour.see(p/r["pv_ashrae_pa"]-1, at)
		if tC < moistair.TriplePoint {
			continue
		}
		if at >= moistair.TriplePoint {
			got, err := moistair.DewPoint(tC, rh)
			if err != nil {
				t.Fatalf("%g °C %g %%: %v", tC, rh, err)
			}
			dew.see(got-at, tC)
			dews++
			continue
		}
		got, err := moistair.FrostPoint(tC, rh)
		if err != nil {
			t.Fatalf("%g °C %g %%: %v", tC, rh, err)
		}
		frost.see(got-at, tC)
		frosts++
	}
	if dews+frosts < 350 || frosts < 40 {
		t.Errorf("%d dew points and %d frost points compared, want most of 407", dews, frosts)
	}
	// The table's dew points have four decimals: 0.00005 K, which is 0.0005 % of pressure.
	if !(vapour.most <= 6.6e-4 && dew.most <= 0.0034 && frost.most <= 0.005 && solver.most <= 0.000051) {
		t.Errorf("vapour pressure %.3g at %g °C, dew point %.4f K in air of %g °C, frost point %.4f K in air of %g °C; the table's own two columns %.5f K",
			vapour.most, vapour.at, dew.most, dew.at, frost.most, frost.at, solver.most)
	}
	t.Logf("largest differences: vapour pressure %.4f %% (at %g °C), %d dew points %.4f K (air of %g °C), %d frost points %.4f K (air of %g °C)",
		100*vapour.most, vapour.at, dews, dew.most, dew.at, frosts, frost.most, frost.at)
}
