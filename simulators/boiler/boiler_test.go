package boiler_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ashlamp/rules/discharge"
	"ashlamp/rules/steam"
	"ashlamp/simulators/boiler"
)

const (
	bar = 1e5
	sea = 101325.0
)

func props(t testing.TB) *boiler.Properties {
	t.Helper()
	p, err := boiler.NewProperties()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// design is a boiler of 400 l with two cocks of 20 mm.
func design() boiler.Design {
	return boiler.Design{
		Volume: 0.4, Diameter: 0.62, GlassBottom: 0.63, GlassTop: 0.86, WorkingPressure: 10 * bar,
		Cocks: []float64{0.02, 0.02}, CockFactor: 1, Vent: 0.015, Safety: 0.025, Plugs: 5.6e-3,
		Bottom:     boiler.Metal{Capacity: 190 * 480, Area: 2},
		Top:        boiler.Metal{Capacity: 190 * 480, Area: 2},
		Plates:     boiler.Metal{Capacity: 380 * 480, Area: 9},
		LossBottom: 5.5, LossTop: 6.5, Rim: 30, Along: 8, Residue: 1.2,
	}
}

func vessel(t testing.TB, p *boiler.Properties, gauge float64) *boiler.Vessel {
	t.Helper()
	v, err := boiler.New(p, design(), gauge, sea, 0.82)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func air() *boiler.Surroundings {
	return &boiler.Surroundings{Temperature: 12, Pressure: sea, Humidity: 0.7}
}

// energy recomputes the energy of water, steam and metal in J from what an
// observer would write down: absolute pressure, mass of water substance, volume
// and the temperatures of the metal. Nothing of the simulator's own properties is
// in it.
func energy(t testing.TB, v *boiler.Vessel) (joule float64, liquid, vapour float64) {
	t.Helper()
	s, err := steam.AtPressure(v.Pressure())
	if err != nil {
		t.Fatal(err)
	}
	mass := v.Water()
	x := (v.Volume/mass - s.Liquid.Volume) / (s.Vapour.Volume - s.Liquid.Volume)
	liquid, vapour = mass*(1-x), mass*x
	joule = liquid*s.Liquid.InternalEnergy + vapour*s.Vapour.InternalEnergy
	for _, m := range []boiler.Metal{v.Bottom, v.Top, v.Plates} {
		joule += m.Capacity * m.Temperature
	}
	return joule, liquid, vapour
}

func TestTableAgainstIF97(t *testing.T) {
	p := props(t)
	var worstP, worstT float64
	for tc := 0.013; tc < 339; tc += 0.37 {
		want, err := steam.SaturationPressure(tc)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(p.Saturation(tc)/want - 1); d > worstP {
			worstP = d
		}
		if d := math.Abs(p.Boiling(want) - tc); d > worstT {
			worstT = d
		}
	}
	t.Logf("saturation pressure within %.2g relative, boiling point within %.2g K", worstP, worstT)
	if worstP > 2e-5 || worstT > 5e-4 {
		t.Errorf("got %.2g relative and %.2g K, want within 2e-5 and 5e-4", worstP, worstT)
	}
	var worst float64
	for _, amb := range []float64{80e3, 90e3, 97e3, sea} {
		for _, over := range []float64{0.02, 0.1, 0.5, 1, 2, 3.3, 5, 7, 10, 14.7} {
			water, err := discharge.HEM(amb+over*bar, amb)
			if err != nil {
				t.Fatal(err)
			}
			vapour, err := discharge.SteamFlow(amb+over*bar, amb)
			if err != nil {
				t.Fatal(err)
			}
			worst = math.Max(worst, math.Abs(p.WaterFlux(amb+over*bar, amb)/water-1))
			worst = math.Max(worst, math.Abs(p.SteamFlux(amb+over*bar, amb)/vapour-1))
		}
	}
	t.Logf("fluxes within %.2g relative", worst)
	if worst > 0.01 {
		t.Errorf("fluxes within %.3g of the model, want 0.01", worst)
	}
	for _, bad := range []float64{-46, 341, math.NaN()} {
		if !math.IsNaN(p.Saturation(bad)) {
			t.Errorf("saturation at %v °C: got %v, want NaN", bad, p.Saturation(bad))
		}
	}
	if !math.IsNaN(p.Boiling(0)) || !math.IsNaN(p.Boiling(math.NaN())) || !math.IsNaN(p.Boiling(3e7)) {
		t.Error("boiling point outside the table: got a number, want NaN")
	}
}

// Closed and cooling: on the saturation line all the way, mass kept, and the
// energy that IF97 gives the end states differs by the heat that was lost.
func TestClosedAndCooling(t *testing.T) {
	p := props(t)
	for _, gauge := range []float64{2 * bar, 7 * bar, 14 * bar} {
		d := design()
		d.WorkingPressure = 16 * bar
		v, err := boiler.New(p, d, gauge, sea, 0.82)
		if err != nil {
			t.Fatal(err)
		}
		e0, _, _ := energy(t, v)
		m0 := v.Water()
		var worst float64
		for range 48 * 360 {
			v.Advance(10, &boiler.Controls{}, air())
			ts, err := steam.SaturationTemperature(v.Pressure())
			if err != nil {
				t.Fatal(err)
			}
			worst = math.Max(worst, math.Abs(ts-v.Temperature()))
		}
		e1, liquid, vapour := energy(t, v)
		balance := (e0 - e1 - v.HeatLost) / v.HeatLost
		t.Logf("from %4.0f kPa: 48 h later %6.2f °C, %+.3f bar; off the line %.1g K at most; energy %+.2g, liquid %+.2g, mass %+.2g",
			gauge/1e3, v.Temperature(), (v.Pressure()-sea)/bar, worst, balance, v.Liquid()/liquid-1, v.Water()/m0-1)
		if v.Err() != nil {
			t.Fatal(v.Err())
		}
		if worst > 0.001 {
			t.Errorf("from %v Pa: %.4f K off the saturation line, want 0.001", gauge, worst)
		}
		if math.Abs(balance) > 0.001 {
			t.Errorf("from %v Pa: energy differs by %.3g of the heat lost, want 0.001", gauge, balance)
		}
		if math.Abs(v.Water()/m0-1) > 1e-12 || math.Abs(v.Liquid()/liquid-1) > 1e-4 || math.Abs(v.Vapour()/vapour-1) > 1e-3 {
			t.Errorf("from %v Pa: water %v of %v, liquid %v, IF97 says %v", gauge, v.Water(), m0, v.Liquid(), liquid)
		}
		if v.Pressure() > sea-0.3*bar {
			t.Errorf("sealed and cold it holds %v Pa, want a vacuum", v.Pressure()-sea)
		}
	}
}

// Through a blow-down the same account holds with the enthalpy that left, and the
// mass that left is the mass that is missing.
func TestBlowDownBalance(t *testing.T) {
	p := props(t)
	for _, gauge := range []float64{1 * bar, 2.8 * bar, 7 * bar, 10 * bar} {
		v := vessel(t, p, gauge)
		e0, _, _ := energy(t, v)
		m0 := v.Water()
		c := &boiler.Controls{Cocks: [2]float64{1, 1}}
		seconds := 0
		for v.Pressure() > sea+0.05*bar && seconds < 3600 {
			v.Advance(1, c, air())
			seconds++
		}
		e1, _, _ := energy(t, v)
		out := v.HeatLost + v.EnthalpyOut
		balance := (e0 - e1 - out) / out
		mass := (m0 - v.Water() - v.WaterOut) / m0
		t.Logf("from %4.0f kPa: %.1f kg out in %d s, %.2f kg left; energy %+.2g, mass %+.2g, %d steps",
			gauge/1e3, v.WaterOut, seconds, v.Liquid(), balance, mass, v.Substeps)
		if math.Abs(balance) > 0.005 {
			t.Errorf("from %v Pa: energy differs by %.3g of what left, want 0.005", gauge, balance)
		}
		if math.Abs(mass) > 1e-4 {
			t.Errorf("from %v Pa: mass differs by %.3g, want 0.0001", gauge, mass)
		}
		if v.Liquid() > 3 {
			t.Errorf("from %v Pa: %v kg left", gauge, v.Liquid())
		}
	}
}

// A cock of 20 mm at 2, 7 and 10 bar, against the homogeneous model evaluated
// elsewhere: 0.78, 1.7 and 2.2 kg/s; practice allows 0.8 to 2 times that.
func TestCockOfTwentyMillimetres(t *testing.T) {
	p := props(t)
	for _, c := range []struct{ gauge, want float64 }{{2 * bar, 0.78}, {7 * bar, 1.7}, {10 * bar, 2.2}} {
		v := vessel(t, p, c.gauge-1)
		v.Advance(2, &boiler.Controls{Cocks: [2]float64{1, 0}}, air())
		got := v.CockOut / 2
		t.Logf("%4.0f kPa: %.3f kg/s, %.2f times %.2f", c.gauge/1e3, got, got/c.want, c.want)
		if !(got > 0.8*c.want && got < 2*c.want) {
			t.Errorf("at %v Pa: got %.3f kg/s, want 0.8 to 2 times %v", c.gauge, got, c.want)
		}
	}
}

// Long steps must tell the same story as short ones.
func TestStepLengthDoesNotMatter(t *testing.T) {
	p := props(t)
	run := func(dt float64) (pressures []float64, v *boiler.Vessel) {
		v = vessel(t, p, 3*bar)
		c := &boiler.Controls{Draw: 4e-5}
		for at := 0.0; at < 1200; at += 10 {
			if at >= 600 {
				*c = boiler.Controls{Cocks: [2]float64{1, 1}}
			}
			if at >= 840 {
				c.Vent = 1
			}
			for k := 0.0; k < 10-1e-9; k += dt {
				v.Advance(dt, c, air())
			}
			pressures = append(pressures, v.Pressure())
		}
		return pressures, v
	}
	fine, vf := run(0.05)
	coarse, vc := run(10)
	worst := 0.0
	for i := range fine {
		worst = math.Max(worst, math.Abs(fine[i]-coarse[i]))
	}
	t.Logf("largest difference %.4f bar; %.3f and %.3f kg left; %d and %d steps", worst/bar, vf.Liquid(), vc.Liquid(), vf.Substeps, vc.Substeps)
	if worst > 0.02*bar {
		t.Errorf("pressures differ by %.3f bar between steps of 0.05 and 10 s, want 0.02", worst/bar)
	}
	if math.Abs(vf.Top.Temperature-vc.Top.Temperature) > 0.3 {
		t.Errorf("shell differs: %.2f and %.2f °C", vf.Top.Temperature, vc.Top.Temperature)
	}
}

// Whatever is opened and shut, what the vessel holds is what it had and what
// crossed its boundary.
func TestNothingIsLostUnderAnyHandling(t *testing.T) {
	p := props(t)
	for seed := uint64(1); seed <= 40; seed++ {
		rng := rand.New(rand.NewPCG(seed, 9))
		v := vessel(t, p, (0.5+9*rng.Float64())*bar)
		total := func() float64 {
			e := v.Energy()
			for _, m := range []boiler.Metal{v.Bottom, v.Top, v.Plates} {
				e += m.Capacity * m.Temperature
			}
			return e
		}
		e0, w0, a0 := total(), v.Water(), v.Air()
		s := air()
		s.Pressure = 88e3 + 15e3*rng.Float64()
		low, high := math.Inf(1), math.Inf(-1)
		for range 60 {
			half := func() float64 { return float64(rng.IntN(2)) }
			c := &boiler.Controls{Cocks: [2]float64{half(), half() * rng.Float64()}, Vent: half(), Plugs: half() * half(),
				Draw: half() * 5e-5, CockLeak: half() * 1e-6, SafetyLeak: half() * 1e-6}
			if v.Glass() < 0.7 && v.Temperature() > 60 && rng.IntN(4) == 0 {
				c.Feed, c.FeedTemperature = 0.1*rng.Float64(), 15
			}
			s.PlateHeat = half() * 20e3 * rng.Float64()
			if v.Plates.Temperature > 200 {
				s.PlateHeat = 0
			}
			v.Advance(600*rng.Float64()*rng.Float64(), c, s)
			low, high = math.Min(low, v.Temperature()), math.Max(high, v.Temperature())
			if v.Err() != nil {
				t.Fatalf("seed %d: %v", seed, v.Err())
			}
		}
		turned := v.EnthalpyOut + v.HeatLost + v.HeatIn + v.EnthalpyIn
		e := e0 + v.HeatIn - v.HeatLost + v.EnthalpyIn - v.EnthalpyOut + v.AirEnthalpyIn - v.AirEnthalpyOut
		if d := math.Abs(total()-e) / turned; d > 1e-9 {
			t.Errorf("seed %d: energy off by %.2g of what was turned over", seed, d)
		}
		if d := math.Abs(v.Water() - (w0 + v.WaterIn - v.WaterOut)); d > 1e-9*w0 {
			t.Errorf("seed %d: water off by %v kg", seed, d)
		}
		if d := math.Abs(v.Air() - (a0 + v.AirIn - v.AirOut)); d > 1e-9 {
			t.Errorf("seed %d: air off by %v kg", seed, d)
		}
		if v.Air() < 0 || v.Water() < 0 || low < 0 || high > 300 {
			t.Errorf("seed %d: air %v, water %v, %v to %v °C", seed, v.Air(), v.Water(), low, high)
		}
	}
}

func TestEmptyingAndDrying(t *testing.T) {
	v := vessel(t, props(t), 2.8*bar)
	s, c := air(), &boiler.Controls{Cocks: [2]float64{1, 1}}
	run := func(seconds int) {
		for range seconds / 2 {
			v.Advance(2, c, s)
			if p := v.Pressure() - sea; c.Plugs == 1 && math.Abs(p) > 600 {
				t.Fatalf("with the plugs out it holds %v Pa", p)
			}
		}
	}
	run(70)
	if v.Glass() != 0 || v.Liquid() < 100 {
		t.Errorf("after 70 s: glass %.2f with %.0f kg left; want an empty glass over much water", v.Glass(), v.Liquid())
	}
	run(110)
	c.Vent = 1
	run(60)
	if p := v.Pressure() - sea; math.Abs(p) > 0.05*bar {
		t.Errorf("run dry and vented: %.3f bar, want 0", p/bar)
	}
	if h := v.Humidity(); v.Liquid() > 0 && h < 0.9 {
		t.Errorf("water is left and the barrel's humidity is %.2f", h)
	}
	if v.Bottom.Temperature < 110 || v.Top.Temperature < 110 {
		t.Errorf("the metal is at %.0f and %.0f °C, want it hot", v.Bottom.Temperature, v.Top.Temperature)
	}
	run(600)
	c.Plugs = 1
	run(2400)
	if v.Liquid() != 0 || v.Humidity() > 0.05 {
		t.Errorf("an hour after, by its own heat: %.2f kg left, humidity %.2f; want it dry", v.Liquid(), v.Humidity())
	}
	t.Logf("dry at %.0f °C, humidity %.3f, %.2f kg of air", v.Top.Temperature, v.Humidity(), v.Air())
}

// Below boiling nothing flashes: Bernoulli lets the water out, and behind a shut
// vent it hangs.
func TestColdWaterRunsOutOnlyUnderAVent(t *testing.T) {
	p := props(t)
	v, err := boiler.New(p, design(), 0.05*bar, sea, 0.82)
	if err != nil {
		t.Fatal(err)
	}
	s, c := air(), &boiler.Controls{Vent: 1}
	for v.Temperature() > 70 {
		v.Advance(10, c, s)
	}
	if v.Air() < 0.02 {
		t.Errorf("an open vent let in %.3f kg of air", v.Air())
	}
	open := v.Liquid()
	c.Cocks = [2]float64{1, 0}
	v.Advance(30, c, s)
	flow := (open - v.Liquid()) / 30
	// A head of about 0.5 m through 20 mm with a coefficient of 0.6.
	if want := 0.6 * math.Pi / 4 * 0.02 * 0.02 * math.Sqrt(2*9.81*0.5) * 978; flow < 0.8*want || flow > 1.2*want {
		t.Errorf("cold flow %.3f kg/s, want about %.3f", flow, want)
	}
	c.Vent = 0
	v.Advance(120, c, s)
	held := v.Liquid()
	v.Advance(60, c, s)
	if flowShut := (held - v.Liquid()) / 60; flowShut > 0.8*flow {
		t.Errorf("with the vent shut it runs %.3f kg/s, with it open %.3f", flowShut, flow)
	}
}

func TestSafetyValve(t *testing.T) {
	v := vessel(t, props(t), 9.8*bar)
	s, c := air(), &boiler.Controls{}
	s.PlateHeat = 60e3
	high, lifted := 0.0, false
	for range 1200 {
		v.Advance(1, c, s)
		high = math.Max(high, v.Pressure()-sea)
		lifted = lifted || v.SafetyLifting()
	}
	if !lifted || high > 10.3*bar {
		t.Errorf("under 60 kW it rose to %.2f bar, lifted %v; want it held near 10", high/bar, lifted)
	}
	s.PlateHeat = 0
	for range 600 {
		v.Advance(1, c, s)
	}
	if v.SafetyLifting() || v.Pressure()-sea < 9*bar {
		t.Errorf("after the fire: lifting %v at %.2f bar, want it shut above 9", v.SafetyLifting(), (v.Pressure()-sea)/bar)
	}
}

func TestLeaks(t *testing.T) {
	p := props(t)
	for _, c := range []struct {
		name    string
		c       boiler.Controls
		minimum float64
	}{
		{"passing cock", boiler.Controls{CockLeak: 1e-6}, 5},
		{"passing safety valve", boiler.Controls{SafetyLeak: 1e-6}, 0.5},
	} {
		v := vessel(t, p, 3*bar)
		for range 3600 {
			v.Advance(2, &c.c, air())
		}
		if v.WaterOut < c.minimum || v.WaterOut > 20*c.minimum {
			t.Errorf("%s: %.2f kg in two hours, want %.1f to %.1f", c.name, v.WaterOut, c.minimum, 20*c.minimum)
		}
	}
}

func TestGlassCoversOnlyTheTop(t *testing.T) {
	v := vessel(t, props(t), 3*bar)
	full := v.LiquidAtGlass(1, v.Temperature())
	none := v.LiquidAtGlass(0, v.Temperature())
	if r := none / full; r < 0.5 || r > 0.8 {
		t.Errorf("an empty glass stands over %.2f of the water of a full one, want 0.5 to 0.8", r)
	}
	if g := v.Glass(); math.Abs(v.LiquidAtGlass(g, v.Temperature())-v.Liquid()) > 0.02*v.Liquid() {
		t.Errorf("glass %.3f: %v kg by the glass, %v kg held", g, v.LiquidAtGlass(g, v.Temperature()), v.Liquid())
	}
}

func TestRefuses(t *testing.T) {
	p := props(t)
	for _, c := range []struct {
		name   string
		change func(*boiler.Design)
		gauge  float64
		height float64
		want   string
	}{
		{"litres", func(d *boiler.Design) { d.Volume = 400 }, bar, 0.8, "not litres"},
		{"NaN volume", func(d *boiler.Design) { d.Volume = math.NaN() }, bar, 0.8, "volume"},
		{"glass upside down", func(d *boiler.Design) { d.GlassTop = 0.1 }, bar, 0.8, "glass"},
		{"brim full", func(*boiler.Design) {}, bar, 0.99, "room for steam"},
		{"pressure in bar below a vacuum", func(*boiler.Design) {}, -2 * bar, 0.8, "boiling point"},
		{"no metal", func(d *boiler.Design) { d.Top.Capacity = 0 }, bar, 0.8, "heat capacity"},
		{"three cocks", func(d *boiler.Design) { d.Cocks = make([]float64, 3) }, bar, 0.8, "at most two"},
		{"no factor", func(d *boiler.Design) { d.CockFactor = 0 }, bar, 0.8, "cock factor"},
		{"no diameter", func(d *boiler.Design) { d.Diameter = 0 }, bar, 0.8, "diameter"},
	} {
		d := design()
		c.change(&d)
		if _, err := boiler.New(p, d, c.gauge, sea, c.height); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error about %q", c.name, err, c.want)
		}
	}
	v := vessel(t, p, 9*bar)
	for range 3600 {
		v.Advance(1, &boiler.Controls{Feed: 0.2, FeedTemperature: 20}, air())
	}
	if v.Err() == nil || !strings.Contains(v.Err().Error(), "brim full") {
		t.Errorf("fed without end: got %v, want it to say that it is brim full", v.Err())
	}
}

func BenchmarkAdvance(b *testing.B) {
	p := props(b)
	for _, c := range []struct {
		name string
		dt   float64
		c    boiler.Controls
	}{
		{"closed, 2 s", 2, boiler.Controls{}},
		{"closed, 30 s", 30, boiler.Controls{}},
		{"steam drawn, 2 s", 2, boiler.Controls{Draw: 1e-6}},
		{"open and dry, 2 s", 2, boiler.Controls{Vent: 1, Plugs: 1, Cocks: [2]float64{1, 1}}},
	} {
		b.Run(c.name, func(b *testing.B) {
			v := vessel(b, p, 5*bar)
			if c.c.Vent > 0 {
				for range 3000 {
					v.Advance(2, &c.c, air())
				}
			}
			s := air()
			n := v.Substeps
			b.ReportAllocs()
			for b.Loop() {
				v.Advance(c.dt, &c.c, s)
			}
			b.ReportMetric(float64(v.Substeps-n)/b.Elapsed().Seconds(), "steps/s")
			b.ReportMetric(c.dt*float64(b.N)/b.Elapsed().Seconds()/1000, "simulated_s/ms")
		})
	}
}

func BenchmarkNewProperties(b *testing.B) {
	for b.Loop() {
		if _, err := boiler.NewProperties(); err != nil {
			b.Fatal(err)
		}
	}
}
