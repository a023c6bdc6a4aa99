// Package transducer turns the voltage at a converter's input into the quantity
// that a transducer measures: 4 to 20 mA loops through a shunt, ratiometric
// transducers of 0.5 to 4.5 V, plain voltages, and thermocouples by their emf.
//
// Every limit of error that is declared goes into the standard uncertainty of the
// reading as a rectangular distribution (JCGM 100:2008, 4.3.7), and the parts are
// added in quadrature (5.1.2). A signal outside its span by more than the standard
// allows is a fault; between, it is uncertain; a value is never held at an end.
package transducer

import (
	"fmt"
	"math"

	"ashlamp/hardware"
	"ashlamp/hardware/calibration"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/uncertainty"
)

// Span says what the quantity is at both ends of the signal, in the channel's unit.
// Low may be above High for a transducer that works the other way round.
type Span struct{ Low, High float64 }

func (s Span) width() float64 { return math.Abs(s.High - s.Low) }

func (s Span) at(fraction float64) float64 { return s.Low + fraction*(s.High-s.Low) }

// Scale is what all transducers have in common.
type Scale struct {
	Span Span
	// Error is the maker's total error band as a share of the span, ±: 0.005 for
	// half a percent. Where a calibration is given it is what remains after it.
	Error float64
	// Calibration corrects the value; the zero Line leaves it as it is.
	Calibration calibration.Line
}

func (s Scale) check() error {
	switch {
	case !finite(s.Span.Low) || !finite(s.Span.High) || !(s.Span.width() > 0):
		return fmt.Errorf("span %v to %v has no width; give the quantity at both ends of the signal", s.Span.Low, s.Span.High)
	case !(s.Error > 0 && s.Error <= 0.1):
		return fmt.Errorf("error band %v is not a share of the span; give the maker's total error band, for example 0.005 for 0.5 %%", s.Error)
	}
	return nil
}

// value is the quantity at a fraction of the span whose standard uncertainty is u.
func (s Scale) value(fraction, u float64) (value, standard float64) {
	x := s.Span.at(fraction)
	return s.Calibration.Apply(x), uncertainty.Combine(
		s.Calibration.Slope()*s.Span.width()*u,
		uncertainty.Rectangular(s.Span.width()*s.Error),
		s.Calibration.Standard(x))
}

func finite(x float64) bool { return !math.IsNaN(x - x) }

// give returns the reading of a value; a doubt about the signal, or about the
// voltage beneath, makes it uncertain.
func give(value, u float64, doubt hardware.Reason, from ...hardware.Reading) (hardware.Reading, error) {
	for _, v := range from {
		if doubt == hardware.Unnamed {
			doubt = v.Doubt
		}
	}
	if doubt != hardware.Unnamed {
		return hardware.Uncertain(value, u, doubt)
	}
	return hardware.Good(value, u)
}

// usable refuses a voltage that is bad, as the zero Reading is.
func usable(v hardware.Reading) error {
	if v.Quality == telemetry.Bad {
		return &hardware.Fault{Reason: hardware.NotANumber, Detail: "no voltage"}
	}
	return nil
}

// Limits of a loop current in mA (NAMUR NE 43; measuring 3.8 to 20.5, failure at or
// below 3.6 and at or above 21.0). Zero and span by IEC 60381-1.
const (
	LoopZero          = 4.0
	LoopFull          = 20.0
	LoopFaultLow      = 3.6
	LoopFaultHigh     = 21.0
	LoopMeasuringLow  = 3.8
	LoopMeasuringHigh = 20.5
)

// Classify returns the position of a loop current within its span, 0 at 4 mA and 1
// at 20 mA, and the doubt about it: [hardware.LoopSaturatedLow] below 3.8 mA,
// [hardware.LoopSaturatedHigh] above 20.5 mA, else [hardware.Unnamed]. A current at
// or beyond a fault limit, or NaN, is a [*hardware.Fault].
func Classify(milliAmps float64) (fraction float64, doubt hardware.Reason, err error) {
	switch {
	case math.IsNaN(milliAmps):
		return math.NaN(), hardware.Unnamed, &hardware.Fault{Reason: hardware.NotANumber, Detail: "loop current"}
	case milliAmps <= LoopFaultLow:
		return math.NaN(), hardware.Unnamed, &hardware.Fault{Reason: hardware.LoopLow, Detail: fmt.Sprintf("%.2f mA", milliAmps)}
	case milliAmps >= LoopFaultHigh:
		return math.NaN(), hardware.Unnamed, &hardware.Fault{Reason: hardware.LoopHigh, Detail: fmt.Sprintf("%.2f mA", milliAmps)}
	case milliAmps < LoopMeasuringLow:
		doubt = hardware.LoopSaturatedLow
	case milliAmps > LoopMeasuringHigh:
		doubt = hardware.LoopSaturatedHigh
	}
	return (milliAmps - LoopZero) / (LoopFull - LoopZero), doubt, nil
}

// LoopSettings describe a 4 to 20 mA transmitter and the shunt that its current flows through.
type LoopSettings struct {
	Scale
	// ShuntOhms is the shunt's resistance; 100 Ω gives 0.4 to 2.0 V.
	ShuntOhms float64
	// ShuntTolerance is its limit of error as a share: 0.001 for 0.1 %.
	ShuntTolerance float64
}

// Loop is a 4 to 20 mA transmitter.
type Loop struct{ set LoopSettings }

// NewLoop refuses settings that could not be.
func NewLoop(s LoopSettings) (*Loop, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if !(s.ShuntOhms > 0 && s.ShuntOhms <= 1000) {
		return nil, fmt.Errorf("shunt of %v Ω is not between 0 and 1000; 100 Ω is usual", s.ShuntOhms)
	}
	if !(s.ShuntTolerance > 0 && s.ShuntTolerance <= 0.05) {
		return nil, fmt.Errorf("shunt tolerance %v is not a share up to 0.05; give for example 0.001 for 0.1 %%", s.ShuntTolerance)
	}
	return &Loop{s}, nil
}

// FaultVolts is the largest voltage of the shunt at which the loop still counts as
// measured, at 21 mA: the converter's range must reach beyond it.
func (l *Loop) FaultVolts() float64 { return LoopFaultHigh / 1000 * l.set.ShuntOhms }

// Convert returns the quantity at a voltage across the shunt, in the channel's unit.
// It fails with a [*hardware.Fault] as [Classify] does.
func (l *Loop) Convert(volts hardware.Reading) (hardware.Reading, error) {
	if err := usable(volts); err != nil {
		return hardware.Reading{}, err
	}
	mA := volts.Value / l.set.ShuntOhms * 1000
	fraction, doubt, err := Classify(mA)
	if err != nil {
		return hardware.Reading{}, err
	}
	uA := uncertainty.Combine(volts.Standard/l.set.ShuntOhms*1000, uncertainty.Rectangular(mA*l.set.ShuntTolerance))
	value, u := l.set.value(fraction, uA/(LoopFull-LoopZero))
	return give(value, u, doubt, volts)
}

// Standard is the standard uncertainty of a value of the quantity, in its unit, when
// that of the voltage is uVolts.
func (l *Loop) Standard(value, uVolts float64) (float64, error) {
	fraction := (value - l.set.Span.Low) / (l.set.Span.High - l.set.Span.Low)
	mA := LoopZero + fraction*(LoopFull-LoopZero)
	r, err := l.Convert(hardware.Reading{Value: mA / 1000 * l.set.ShuntOhms, Standard: uVolts, Quality: telemetry.Good})
	return r.Standard, err
}

// A ratiometric transducer's signal as shares of its supply: 0.5 V and 4.5 V of 5 V
// are the ends of the span. There is no NE 43 for it; the saturated zone begins at the
// same shares of the span as there (1.25 % below, 3.125 % above), the fault zone half
// way to ground and to the supply (common practice, no source).
const (
	RatioZero          = 0.1
	RatioFull          = 0.9
	RatioFaultLow      = 0.05
	RatioFaultHigh     = 0.95
	RatioMeasuringLow  = RatioZero - (LoopZero-LoopMeasuringLow)/(LoopFull-LoopZero)*(RatioFull-RatioZero)
	RatioMeasuringHigh = RatioFull + (LoopMeasuringHigh-LoopFull)/(LoopFull-LoopZero)*(RatioFull-RatioZero)
)

// supplyBand is how far the supply may be from its nominal, as a share (common
// practice, no source: makers allow 5 to 10 %).
const supplyBand = 0.1

// RatiometricSettings describe a transducer whose signal is a share of its supply.
type RatiometricSettings struct {
	Scale
	// SupplyVolts is the nominal supply; 5 is usual.
	SupplyVolts float64
	// SupplyTolerance is the limit of error of the supply as a share, which counts
	// where the supply is not measured.
	SupplyTolerance float64
	// SignalDivider and SupplyDivider are the voltage before a divider over the
	// voltage at the converter's pin; 1 where there is none. A converter on 3.3 V
	// needs both.
	SignalDivider, SupplyDivider float64
	// DividerTolerance is the limit of error of a divider's ratio as a share; it
	// counts once for each divider that is not 1.
	DividerTolerance float64
}

// Ratiometric is a transducer of 0.5 to 4.5 V at a supply of 5 V. A broken signal wire
// shows only where a resistor at the pin pulls it to ground or to the supply: a pin
// that floats may stand anywhere.
type Ratiometric struct{ set RatiometricSettings }

// NewRatiometric refuses settings that could not be.
func NewRatiometric(s RatiometricSettings) (*Ratiometric, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	switch {
	case !(s.SupplyVolts >= 3 && s.SupplyVolts <= 12):
		return nil, fmt.Errorf("supply of %v V is not between 3 and 12; 5 V is usual", s.SupplyVolts)
	case !(s.SupplyTolerance >= 0 && s.SupplyTolerance <= supplyBand):
		return nil, fmt.Errorf("supply tolerance %v is not a share up to %v; measure the supply or use a better one", s.SupplyTolerance, supplyBand)
	case !(s.SignalDivider >= 1 && s.SupplyDivider >= 1) || math.IsInf(s.SignalDivider, 0) || math.IsInf(s.SupplyDivider, 0):
		return nil, fmt.Errorf("dividers %v and %v: each is the voltage before it over the voltage at the pin; use 1 where there is none", s.SignalDivider, s.SupplyDivider)
	case !(s.DividerTolerance >= 0 && s.DividerTolerance <= 0.05):
		return nil, fmt.Errorf("divider tolerance %v is not a share up to 0.05; give for example 0.001 for 0.1 %%", s.DividerTolerance)
	case s.DividerTolerance == 0 && (s.SignalDivider != 1 || s.SupplyDivider != 1):
		return nil, fmt.Errorf("a divider without a tolerance; give the limit of error of its ratio, for example 0.002")
	}
	return &Ratiometric{s}, nil
}

// Declared returns the supply as the settings declare it, for a transducer whose
// supply is not measured: a voltage at a pin behind the supply's divider.
func (r *Ratiometric) Declared() (hardware.Reading, error) {
	if r.set.SupplyTolerance == 0 {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SupplyRange, Detail: "neither measured nor declared with a tolerance"}
	}
	v := r.set.SupplyVolts / r.set.SupplyDivider
	return hardware.Good(v, uncertainty.Rectangular(v*r.set.SupplyTolerance))
}

// Convert returns the quantity at a signal and a supply, both voltages at the
// converter's pins. Errors that signal and supply share, as the gain of one
// converter, would cancel; they are counted as if they did not.
func (r *Ratiometric) Convert(signal, supply hardware.Reading) (hardware.Reading, error) {
	for _, v := range []hardware.Reading{signal, supply} {
		if err := usable(v); err != nil {
			return hardware.Reading{}, err
		}
	}
	vs := supply.Value * r.set.SupplyDivider
	if !(math.Abs(vs-r.set.SupplyVolts) <= supplyBand*r.set.SupplyVolts) {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SupplyRange, Detail: fmt.Sprintf("%.2f V, not %.1f V", vs, r.set.SupplyVolts)}
	}
	ratio := signal.Value * r.set.SignalDivider / vs
	detail := fmt.Sprintf("%.1f %% of the supply", 100*ratio)
	var doubt hardware.Reason
	switch {
	case math.IsNaN(ratio):
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.NotANumber, Detail: detail}
	case ratio <= RatioFaultLow:
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SignalLow, Detail: detail}
	case ratio >= RatioFaultHigh:
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SignalHigh, Detail: detail}
	case ratio < RatioMeasuringLow:
		doubt = hardware.SignalSaturatedLow
	case ratio > RatioMeasuringHigh:
		doubt = hardware.SignalSaturatedHigh
	}
	relative := []float64{signal.Standard / signal.Value, supply.Standard / supply.Value}
	for _, divider := range []float64{r.set.SignalDivider, r.set.SupplyDivider} {
		if divider != 1 {
			relative = append(relative, uncertainty.Rectangular(r.set.DividerTolerance))
		}
	}
	fraction := (ratio - RatioZero) / (RatioFull - RatioZero)
	value, u := r.set.value(fraction, ratio*uncertainty.Combine(relative...)/(RatioFull-RatioZero))
	return give(value, u, doubt, signal, supply)
}

// VoltageSettings describe a transducer that gives a voltage of its own.
type VoltageSettings struct {
	Scale
	// ZeroVolts and FullVolts are the signal at both ends of the span.
	ZeroVolts, FullVolts float64
}

// Voltage is a transducer that gives a voltage, for example a temperature sensor
// beside thermocouple terminals. Such a signal has no zone that tells a broken wire:
// beyond its span it is out of range, and a span that begins at 0 V is refused.
type Voltage struct{ set VoltageSettings }

// NewVoltage refuses settings that could not be.
func NewVoltage(s VoltageSettings) (*Voltage, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if !(s.ZeroVolts >= 0.05 && s.FullVolts > s.ZeroVolts) || math.IsInf(s.FullVolts, 0) {
		return nil, fmt.Errorf("signal from %v to %v V: it must begin at 0.05 V or more, so that a broken wire shows, and rise", s.ZeroVolts, s.FullVolts)
	}
	return &Voltage{s}, nil
}

// Convert returns the quantity at a voltage. Beyond the span it fails with
// [hardware.SignalLow] or [hardware.SignalHigh].
func (v *Voltage) Convert(volts hardware.Reading) (hardware.Reading, error) {
	if err := usable(volts); err != nil {
		return hardware.Reading{}, err
	}
	fraction := (volts.Value - v.set.ZeroVolts) / (v.set.FullVolts - v.set.ZeroVolts)
	detail := fmt.Sprintf("%.3f V", volts.Value)
	switch {
	case math.IsNaN(fraction):
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.NotANumber, Detail: detail}
	case fraction < 0:
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SignalLow, Detail: detail}
	case fraction > 1:
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.SignalHigh, Detail: detail}
	}
	value, u := v.set.value(fraction, volts.Standard/(v.set.FullVolts-v.set.ZeroVolts))
	return give(value, u, hardware.Unnamed, volts)
}
