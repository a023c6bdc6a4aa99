package transducer_test

import (
	"fmt"
	"math"
	"testing"

	"ashlamp/hardware"
	"ashlamp/hardware/calibration"
	"ashlamp/hardware/thermocouple"
	"ashlamp/hardware/transducer"
	"ashlamp/rules/telemetry"
	"pgregory.net/rapid"
)

// bar16 is a pressure transducer of 0 to 16 bar in Pa, 0.5 % of span.
var bar16 = transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005}

func volts(v float64) hardware.Reading {
	return hardware.Reading{Value: v, Standard: 1e-4, Quality: telemetry.Good}
}

func TestLoopCurrentsByNE43(t *testing.T) {
	const step = 0.001
	for _, c := range []struct {
		name     string
		mA       float64
		fault    hardware.Reason
		doubt    hardware.Reason
		fraction float64
	}{
		{"wire broken", 0, hardware.LoopLow, 0, 0},
		{"turned round", -12, hardware.LoopLow, 0, 0},
		{"at the low fault limit", 3.6, hardware.LoopLow, 0, 0},
		{"just above it", 3.6 + step, 0, hardware.LoopSaturatedLow, -0.0249375},
		{"just below measuring", 3.8 - step, 0, hardware.LoopSaturatedLow, -0.0125625},
		{"measuring begins", 3.8, 0, 0, -0.0125},
		{"zero", 4, 0, 0, 0},
		{"middle", 12, 0, 0, 0.5},
		{"full", 20, 0, 0, 1},
		{"measuring ends", 20.5, 0, 0, 1.03125},
		{"just above measuring", 20.5 + step, 0, hardware.LoopSaturatedHigh, 1.0313125},
		{"just below the high fault limit", 21 - step, 0, hardware.LoopSaturatedHigh, 1.0624375},
		{"at the high fault limit", 21, hardware.LoopHigh, 0, 0},
		{"far above", 30, hardware.LoopHigh, 0, 0},
		{"NaN", math.NaN(), hardware.NotANumber, 0, 0},
		{"infinity", math.Inf(1), hardware.LoopHigh, 0, 0},
		{"minus infinity", math.Inf(-1), hardware.LoopLow, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			fraction, doubt, err := transducer.Classify(c.mA)
			if hardware.ReasonOf(err) != c.fault || (c.fault != 0) != (err != nil) {
				t.Fatalf("Classify(%v mA): %v, want reason %q", c.mA, err, c.fault)
			}
			if err != nil {
				if !math.IsNaN(fraction) {
					t.Fatalf("Classify(%v mA) is a fault and yet %v", c.mA, fraction)
				}
				return
			}
			if doubt != c.doubt || math.Abs(fraction-c.fraction) > 1e-12 {
				t.Fatalf("Classify(%v mA) = %v, %q; want %v, %q", c.mA, fraction, doubt, c.fraction, c.doubt)
			}
		})
	}
}

func TestLoopThroughAShunt(t *testing.T) {
	loop, err := transducer.NewLoop(transducer.LoopSettings{Scale: bar16, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		volts hardware.Reading
		want  float64
		q     telemetry.Quality
		fault hardware.Reason
	}{
		{"zero", volts(0.4), 0, telemetry.Good, 0},
		{"half", volts(1.2), 8e5, telemetry.Good, 0},
		{"full", volts(2), 16e5, telemetry.Good, 0},
		{"a little vacuum", volts(0.385), -0.15e5, telemetry.Good, 0},
		{"saturated low", volts(0.37), -0.3e5, telemetry.Uncertain, 0},
		{"saturated high", volts(2.08), 16.8e5, telemetry.Uncertain, 0},
		{"broken", volts(0), 0, 0, hardware.LoopLow},
		{"failed high", volts(2.2), 0, 0, hardware.LoopHigh},
		{"no voltage read", hardware.Reading{}, 0, 0, hardware.NotANumber},
		{"voltage NaN", volts(math.NaN()), 0, 0, hardware.NotANumber},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := loop.Convert(c.volts)
			if hardware.ReasonOf(err) != c.fault {
				t.Fatalf("Convert(%+v): %v, want %q", c.volts, err, c.fault)
			}
			if c.fault != 0 {
				if got != (hardware.Reading{}) {
					t.Fatalf("a fault and yet %+v", got)
				}
				return
			}
			if math.Abs(got.Value-c.want) > 1e-3 || got.Quality != c.q {
				t.Fatalf("Convert(%+v) = %+v, want %v, %v", c.volts, got, c.want, c.q)
			}
		})
	}
	t.Run("doubt of the voltage goes on", func(t *testing.T) {
		v := volts(1.2)
		v.Quality, v.Doubt = telemetry.Uncertain, hardware.OpenUndetectable
		if got, err := loop.Convert(v); err != nil || got.Quality != telemetry.Uncertain || got.Doubt != v.Doubt {
			t.Fatalf("Convert(%+v) = %+v, %v; want the doubt kept", v, got, err)
		}
	})
}

// Each part of the uncertainty alone, worked out by hand.
func TestLoopUncertainty(t *testing.T) {
	const tiny = 1e-9
	for _, c := range []struct {
		name                string
		error, shunt, uVolt float64
		volts, want         float64
	}{
		{"maker's band alone", 0.005, tiny, 0, 1.2, 0.005 * 16e5 / math.Sqrt(3)},
		{"shunt alone, at zero: of 4 mA", tiny, 0.001, 0, 0.4, 0.004 / math.Sqrt(3) / 16 * 16e5},
		{"shunt alone, at full: of 20 mA", tiny, 0.001, 0, 2, 0.020 / math.Sqrt(3) / 16 * 16e5},
		{"converter alone: 1 mV is 0.01 mA", tiny, tiny, 0.001, 1.2, 0.01 / 16 * 16e5},
	} {
		s := bar16
		s.Error = c.error
		loop, err := transducer.NewLoop(transducer.LoopSettings{Scale: s, ShuntOhms: 100, ShuntTolerance: c.shunt})
		if err != nil {
			t.Fatal(err)
		}
		got, err := loop.Convert(hardware.Reading{Value: c.volts, Standard: c.uVolt, Quality: telemetry.Good})
		if err != nil || math.Abs(got.Standard-c.want) > 1e-3*c.want {
			t.Errorf("%s: u = %v Pa, %v; want %v", c.name, got.Standard, err, c.want)
		}
	}
}

// What a configuration may take as a channel's uncertainty is what a reading there has.
func TestUncertaintyOfAValueIsThatOfItsReading(t *testing.T) {
	loop, err := transducer.NewLoop(transducer.LoopSettings{Scale: bar16, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	reading, err := loop.Convert(volts(1.2))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		value float64
		want  float64
		fault hardware.Reason
	}{
		{"half", 8e5, reading.Standard, 0},
		{"beyond what a loop carries", 20e5, 0, hardware.LoopHigh},
		{"NaN", math.NaN(), 0, hardware.NotANumber},
	} {
		got, err := loop.Standard(c.value, 1e-4)
		if hardware.ReasonOf(err) != c.fault || math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("%s: Standard(%v) = %v, %v; want %v, %q", c.name, c.value, got, err, c.want, c.fault)
		}
	}
}

func TestRatiometric(t *testing.T) {
	set := transducer.RatiometricSettings{Scale: bar16, SupplyVolts: 5, SupplyTolerance: 0.01, SignalDivider: 1, SupplyDivider: 1}
	for _, c := range []struct {
		name           string
		signal, supply float64
		want           float64
		q              telemetry.Quality
		fault          hardware.Reason
	}{
		{"zero", 0.5, 5, 0, telemetry.Good, 0},
		{"half", 2.5, 5, 8e5, telemetry.Good, 0},
		{"full", 4.5, 5, 16e5, telemetry.Good, 0},
		{"half at a low supply", 2.25, 4.5, 8e5, telemetry.Good, 0},
		{"half at a high supply", 2.75, 5.5, 8e5, telemetry.Good, 0},
		{"measuring begins", 0.4501, 5, -0.1996e5, telemetry.Good, 0},
		{"below it", 0.4499, 5, -0.2004e5, telemetry.Uncertain, 0},
		{"measuring ends", 4.6249, 5, 16.4996e5, telemetry.Good, 0},
		{"above it", 4.6251, 5, 16.5004e5, telemetry.Uncertain, 0},
		{"at the low fault limit", 0.25, 5, 0, 0, hardware.SignalLow},
		{"open", 0, 5, 0, 0, hardware.SignalLow},
		{"at the high fault limit", 4.75, 5, 0, 0, hardware.SignalHigh},
		{"at the supply", 5, 5, 0, 0, hardware.SignalHigh},
		{"supply too low", 2.2, 4.49, 0, 0, hardware.SupplyRange},
		{"supply too high", 2.8, 5.51, 0, 0, hardware.SupplyRange},
		{"supply gone", 0, 0, 0, 0, hardware.SupplyRange},
		{"supply NaN", 2.5, math.NaN(), 0, 0, hardware.SupplyRange},
		{"signal NaN", math.NaN(), 5, 0, 0, hardware.NotANumber},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := transducer.NewRatiometric(set)
			if err != nil {
				t.Fatal(err)
			}
			got, err := r.Convert(volts(c.signal), volts(c.supply))
			if hardware.ReasonOf(err) != c.fault {
				t.Fatalf("%v V of %v V: %v, want %q", c.signal, c.supply, err, c.fault)
			}
			if math.Abs(got.Value-c.want) > 1 || got.Quality != c.q {
				t.Fatalf("%v V of %v V = %+v, want %v, %v", c.signal, c.supply, got, c.want, c.q)
			}
		})
	}
	t.Run("behind dividers, supply measured", func(t *testing.T) {
		s := set
		s.SignalDivider, s.SupplyDivider, s.DividerTolerance = 2, 3, 0.001
		r, err := transducer.NewRatiometric(s)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := r.Convert(volts(1.25), volts(5./3)); err != nil || math.Abs(got.Value-8e5) > 1 {
			t.Fatalf("%+v, %v; want 8e5", got, err)
		}
	})
	t.Run("a declared supply costs uncertainty", func(t *testing.T) {
		r, err := transducer.NewRatiometric(set)
		if err != nil {
			t.Fatal(err)
		}
		supply, err := r.Declared()
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Convert(volts(2.5), supply)
		// Half of the supply known to 1 %: 0.5·0.01/√3 of ratio, over 0.8, of 16 bar.
		want := math.Hypot(0.5*0.01/math.Sqrt(3)/0.8*16e5, 0.005*16e5/math.Sqrt(3))
		if err != nil || math.Abs(got.Standard-want) > 0.01*want {
			t.Fatalf("u = %v, %v; want about %v", got.Standard, err, want)
		}
	})
	t.Run("neither measured nor declared", func(t *testing.T) {
		s := set
		s.SupplyTolerance = 0
		r, err := transducer.NewRatiometric(s)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.Declared(); hardware.ReasonOf(err) != hardware.SupplyRange {
			t.Fatalf("Declared: %v, want %v", err, hardware.SupplyRange)
		}
	})
}

func TestVoltage(t *testing.T) {
	// A sensor of 10 mV/K with 0.5 V at 0 °C, used from -40 to 125 °C.
	v, err := transducer.NewVoltage(transducer.VoltageSettings{
		Scale: transducer.Scale{Span: transducer.Span{Low: -40, High: 125}, Error: 0.012}, ZeroVolts: 0.1, FullVolts: 1.75,
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		volts, want float64
		fault       hardware.Reason
	}{
		{0.75, 25, 0}, {0.1, -40, 0}, {1.75, 125, 0},
		{0.0999, 0, hardware.SignalLow}, {1.7501, 0, hardware.SignalHigh}, {0, 0, hardware.SignalLow}, {math.NaN(), 0, hardware.NotANumber},
	} {
		got, err := v.Convert(volts(c.volts))
		if hardware.ReasonOf(err) != c.fault || math.Abs(got.Value-c.want) > 1e-9 {
			t.Errorf("%v V = %+v, %v; want %v, %q", c.volts, got, err, c.want, c.fault)
		}
	}
}

func TestCouple(t *testing.T) {
	junction := hardware.Reading{Value: 25, Standard: 0.5, Quality: telemetry.Good}
	for _, c := range []struct {
		name  string
		bias  bool
		gain  float64
		volts float64
		want  float64
		q     telemetry.Quality
		fault hardware.Reason
	}{
		// ITS-90 type K: 4.096 mV at 100 °C, 1.000 mV at 25 °C.
		{"100 °C", true, 1, 3.096e-3, 100, telemetry.Good, 0},
		{"100 °C amplified", true, 100, 0.3096, 100, telemetry.Good, 0},
		{"without a bias resistor", false, 1, 3.096e-3, 100, telemetry.Uncertain, 0},
		{"open, pulled up", true, 1, 0.25, 0, 0, hardware.OpenThermocouple},
		{"open, pulled down", true, 1, -0.25, 0, 0, hardware.OpenThermocouple},
		{"beyond the type", true, 1, 0.06, 0, 0, hardware.ThermocoupleRange},
		{"far below the type", true, 1, -0.01, 0, 0, hardware.ThermocoupleRange},
		{"NaN", true, 1, math.NaN(), 0, 0, hardware.ThermocoupleRange},
	} {
		t.Run(c.name, func(t *testing.T) {
			couple, err := transducer.NewCouple(transducer.CoupleSettings{Type: thermocouple.K, Gain: c.gain, Error: 2.5, Bias: c.bias})
			if err != nil {
				t.Fatal(err)
			}
			v := hardware.Reading{Value: c.volts, Standard: 1e-5 * c.gain, Quality: telemetry.Good}
			got, err := couple.Convert(v, junction)
			if hardware.ReasonOf(err) != c.fault {
				t.Fatalf("%v V: %v, want %q", c.volts, err, c.fault)
			}
			if math.Abs(got.Value-c.want) > 0.03 || got.Quality != c.q {
				t.Fatalf("%v V = %+v, want %v, %v", c.volts, got, c.want, c.q)
			}
			if c.fault == 0 && !(got.Standard > 1.5 && got.Standard < 1.6) { // 2.5/√3, 0.5 K, 10 µV of 41
				t.Errorf("u = %v K, want 1.5 to 1.6", got.Standard)
			}
		})
	}
}

func TestCalibrationIsApplied(t *testing.T) {
	line, _, err := calibration.Fit([]calibration.Point{{Reading: 0.1e5, Standard: 1000}, {Reading: 12.1e5, Reference: 12e5, Standard: 1000}}, 16e5)
	if err != nil {
		t.Fatal(err)
	}
	s := bar16
	plain, err := transducer.NewLoop(transducer.LoopSettings{Scale: s, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	s.Calibration = line
	calibrated, err := transducer.NewLoop(transducer.LoopSettings{Scale: s, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	before, err1 := plain.Convert(volts(1))
	after, err2 := calibrated.Convert(volts(1))
	if err1 != nil || err2 != nil || math.Abs(after.Value-(before.Value-0.1e5)) > 1e-6 || !(after.Standard > before.Standard) {
		t.Fatalf("before %+v, after %+v, %v, %v; want 0.1 bar less, and the line's uncertainty added", before, after, err1, err2)
	}
}

func TestSettingsThatCouldNotBe(t *testing.T) {
	nan := math.NaN()
	loop := func(change func(*transducer.LoopSettings)) error {
		s := transducer.LoopSettings{Scale: bar16, ShuntOhms: 100, ShuntTolerance: 0.001}
		change(&s)
		_, err := transducer.NewLoop(s)
		return err
	}
	ratio := func(change func(*transducer.RatiometricSettings)) error {
		s := transducer.RatiometricSettings{Scale: bar16, SupplyVolts: 5, SignalDivider: 1, SupplyDivider: 1}
		change(&s)
		_, err := transducer.NewRatiometric(s)
		return err
	}
	type l = transducer.LoopSettings
	type r = transducer.RatiometricSettings
	for name, err := range map[string]error{
		"span without width":      loop(func(s *l) { s.Span = transducer.Span{Low: 1, High: 1} }),
		"span NaN":                loop(func(s *l) { s.Span.High = nan }),
		"span infinite":           loop(func(s *l) { s.Span.High = math.Inf(1) }),
		"no error band":           loop(func(s *l) { s.Error = 0 }),
		"error band in percent":   loop(func(s *l) { s.Error = 0.5 }),
		"no shunt":                loop(func(s *l) { s.ShuntOhms = 0 }),
		"shunt NaN":               loop(func(s *l) { s.ShuntOhms = nan }),
		"shunt without tolerance": loop(func(s *l) { s.ShuntTolerance = 0 }),
		"supply of mains":         ratio(func(s *r) { s.SupplyVolts = 230 }),
		"no divider given":        ratio(func(s *r) { s.SignalDivider = 0 }),
		"divider, no tolerance":   ratio(func(s *r) { s.SignalDivider = 2 }),
		"supply tolerance NaN":    ratio(func(s *r) { s.SupplyTolerance = nan }),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	if err := loop(func(*l) {}); err != nil {
		t.Errorf("usual loop: %v", err)
	}
	if err := ratio(func(*r) {}); err != nil {
		t.Errorf("usual ratiometric: %v", err)
	}
	if _, err := transducer.NewVoltage(transducer.VoltageSettings{Scale: bar16, FullVolts: 5}); err == nil {
		t.Error("a voltage that begins at 0 V was accepted: a broken wire would read as zero pressure")
	}
	if _, err := transducer.NewCouple(transducer.CoupleSettings{Gain: 1, Error: 2.5}); err == nil {
		t.Error("a couple without a type was accepted")
	}
}

// Whatever the voltage, a loop gives a finite number that is not bad, or a reason
// and no number; and it gives a good number only between 3.8 and 20.5 mA.
func TestLoopNeverGivesBoth(t *testing.T) {
	loop, err := transducer.NewLoop(transducer.LoopSettings{Scale: bar16, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0.3, 2.2)).Draw(t, "volts")
		got, err := loop.Convert(hardware.Reading{Value: v, Quality: telemetry.Good})
		switch {
		case err != nil && (got != hardware.Reading{} || hardware.ReasonOf(err) == hardware.Unnamed):
			t.Fatalf("%v V: %+v with %v", v, got, err)
		case err == nil && got.Quality == telemetry.Bad:
			t.Fatalf("%v V: %+v without a reason", v, got)
		case got.Quality == telemetry.Good && (v < 0.38-1e-12 || v > 2.05+1e-12):
			t.Fatalf("%v V: %+v, good outside the measuring range", v, got)
		}
	})
}

// A boiler pressure transmitter of 0 to 16 bar on a 100 Ω shunt.
func ExampleLoop_Convert() {
	loop, err := transducer.NewLoop(transducer.LoopSettings{
		Scale:     transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005},
		ShuntOhms: 100, ShuntTolerance: 0.001,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range []float64{1.2, 0.37, 0.21} {
		r, err := loop.Convert(hardware.Reading{Value: v, Standard: 0.001, Quality: telemetry.Good})
		fmt.Printf("%.2f bar, u = %.2f bar, %v, %v\n", r.Value/1e5, r.Standard/1e5, r.Quality, err)
	}
	// Output:
	// 8.00 bar, u = 0.05 bar, good, <nil>
	// -0.30 bar, u = 0.05 bar, uncertain, <nil>
	// 0.00 bar, u = 0.00 bar, bad, loop current at or below 3.6 mA (2.10 mA); check the wiring, fuse and supply of the transmitter
}
