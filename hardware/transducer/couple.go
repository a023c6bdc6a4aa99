package transducer

import (
	"fmt"
	"math"

	"ashlamp/hardware"
	"ashlamp/hardware/thermocouple"
	"ashlamp/rules/uncertainty"
)

// noCouple is an emf in mV that no letter-designated couple gives: the largest of
// ITS-90 is 76.373 mV, type E at 1000 °C.
const noCouple = 80

// CoupleSettings describe a thermocouple at a converter's input.
type CoupleSettings struct {
	Type thermocouple.Type
	// Gain of an amplifier between couple and converter; 1 where there is none.
	Gain float64
	// Error is the couple's own limit of error in K: 2.5 for class 2 of type K below
	// 333 °C (IEC 60584-1, from memory).
	Error float64
	// Bias: a resistor pulls the input to the end of the range when the couple is
	// open. Without one an open couple reads like a cold one, and every reading is
	// uncertain.
	Bias bool
}

// Couple is a thermocouple whose emf a converter reads.
type Couple struct{ set CoupleSettings }

// NewCouple refuses settings that could not be.
func NewCouple(s CoupleSettings) (*Couple, error) {
	if _, _, err := thermocouple.Range(s.Type); err != nil {
		return nil, err
	}
	if !(s.Gain >= 1 && s.Gain <= 1000) {
		return nil, fmt.Errorf("gain %v is not between 1 and 1000; use 1 where there is no amplifier", s.Gain)
	}
	if !(s.Error > 0 && s.Error <= 50) {
		return nil, fmt.Errorf("couple's error %v K is not above 0; give the limit of its class, for example 2.5", s.Error)
	}
	return &Couple{s}, nil
}

// Convert returns the hot junction in °C from the voltage at the converter and the
// temperature of the terminals in °C.
func (c *Couple) Convert(volts, junction hardware.Reading) (hardware.Reading, error) {
	for _, v := range []hardware.Reading{volts, junction} {
		if err := usable(v); err != nil {
			return hardware.Reading{}, err
		}
	}
	mV := volts.Value * 1000 / c.set.Gain
	if math.Abs(mV) > noCouple {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.OpenThermocouple, Detail: fmt.Sprintf("%.1f mV", mV)}
	}
	t, err := thermocouple.Compensated(c.set.Type, mV, junction.Value)
	if err != nil {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.ThermocoupleRange, Detail: fmt.Sprintf("%.3f mV", mV), Err: err}
	}
	hot, err := thermocouple.Sensitivity(c.set.Type, t)
	if err != nil {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.ThermocoupleRange, Err: err}
	}
	cold, err := thermocouple.Sensitivity(c.set.Type, junction.Value)
	if err != nil {
		return hardware.Reading{}, &hardware.Fault{Reason: hardware.ColdJunctionRange, Err: err}
	}
	// t depends on the voltage by 1/S(t) and on the terminals by S(junction)/S(t).
	u := uncertainty.Combine(volts.Standard*1000/c.set.Gain/hot, junction.Standard*cold/hot, uncertainty.Rectangular(c.set.Error))
	var doubt hardware.Reason
	if !c.set.Bias {
		doubt = hardware.OpenUndetectable
	}
	return give(t, u, doubt, volts, junction)
}
