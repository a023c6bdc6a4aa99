// Package hardware has the two answers that a device can give: a [Reading],
// which is a number with its uncertainty, or a [Fault], which is a reason and
// never a number. The packages below it drive one chip each and turn what the
// chip says into the channel's unit.
package hardware

import (
	"errors"
	"fmt"
	"math"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/uncertainty"
)

// Reading is a number that a device gave, in the channel's unit. The zero value
// is bad, so that a reading nobody filled in proves nothing.
type Reading struct {
	// Value is in the unit of the channel that the input serves.
	Value float64
	// Standard is the standard uncertainty of Value (JCGM 100:2008, 2.3.1), in its unit.
	Standard float64
	// Quality is Good or Uncertain; only the zero Reading is Bad.
	Quality telemetry.Quality
	// Doubt says why Quality is Uncertain; it is Unnamed for a good reading.
	Doubt Reason
}

// Estimate returns the value with its expanded uncertainty, as the rules take it.
// That of the zero Reading is not stated, and neither is that of one without
// uncertainty.
func (r Reading) Estimate() uncertainty.Value {
	if r.Quality == telemetry.Bad {
		return uncertainty.Value{X: math.NaN()}
	}
	return uncertainty.Of(r.Value, r.Standard)
}

// Good returns a reading that may be relied upon, with its standard uncertainty.
// A value or uncertainty that is NaN or infinite, or an uncertainty below zero, is
// refused with a [*Fault].
func Good(value, standard float64) (Reading, error) {
	return newReading(value, standard, telemetry.Good, Unnamed)
}

// Uncertain returns a reading that may be drawn but proves nothing, and why.
// It refuses what [Good] refuses.
func Uncertain(value, standard float64, doubt Reason) (Reading, error) {
	return newReading(value, standard, telemetry.Uncertain, doubt)
}

func newReading(value, standard float64, q telemetry.Quality, doubt Reason) (Reading, error) {
	if math.IsNaN(value-value) || !(standard >= 0) || math.IsInf(standard, 0) { // x-x is NaN for infinities too
		return Reading{}, &Fault{Reason: NotANumber, Detail: fmt.Sprintf("value %v, uncertainty %v", value, standard)}
	}
	return Reading{Value: value, Standard: standard, Quality: q, Doubt: doubt}, nil
}

// Reason says why a device gave no number, or one of doubt. The list is closed:
// whoever adds to it gives the word and the mend in the same table.
type Reason uint8

// The reasons. Those of a thermocouple name what the chip can tell apart, which
// is less than a person would like: see package mcp9600.
const (
	// Unnamed is the zero value.
	Unnamed Reason = iota
	// BusError: the device did not answer, or answered so that it cannot be believed.
	BusError
	// NotReady: a conversion was not finished within its deadline.
	NotReady
	// WrongDevice: another chip than the configured one answers at the address.
	WrongDevice
	// SettingsLost: the chip no longer holds the settings it was given (it lost
	// its supply, or another master wrote to it), so its number means something else.
	SettingsLost
	// OpenThermocouple: no couple is connected, or a wire is broken.
	OpenThermocouple
	// ShortedThermocouple: a thermocouple wire touches ground or the supply.
	ShortedThermocouple
	// ThermocoupleRange: the emf or the temperature lies outside the type's range.
	ThermocoupleRange
	// ThermocoupleDisagrees: the chip's temperature does not follow from its own
	// raw voltage and cold junction; it is frozen, or set to another type.
	ThermocoupleDisagrees
	// ColdJunctionRange: the cold junction is outside what the chip is specified for.
	ColdJunctionRange
	// OpenUndetectable: this circuit could not tell an open couple from a cold one.
	OpenUndetectable
	// InputOverrange: the voltage is at or beyond an end of the converter's range.
	InputOverrange
	// LoopLow: the loop current is at or below 3.6 mA (NAMUR NE 43).
	LoopLow
	// LoopHigh: the loop current is at or above 21 mA (NAMUR NE 43).
	LoopHigh
	// LoopSaturatedLow: between 3.6 and 3.8 mA, the transmitter is at its end (NAMUR NE 43).
	LoopSaturatedLow
	// LoopSaturatedHigh: between 20.5 and 21 mA, the transmitter is at its end (NAMUR NE 43).
	LoopSaturatedHigh
	// SignalLow: a ratiometric signal is too near to ground to be one.
	SignalLow
	// SignalHigh: a ratiometric signal is too near to its supply to be one.
	SignalHigh
	// SignalSaturatedLow: a ratiometric signal is below its span.
	SignalSaturatedLow
	// SignalSaturatedHigh: a ratiometric signal is above its span.
	SignalSaturatedHigh
	// SupplyRange: the supply of a ratiometric transducer is out of range.
	SupplyRange
	// NotANumber: a conversion gave no finite number.
	NotANumber
	reasons // number of reasons
)

// words holds for each reason what is wrong and how to mend it.
var words = [reasons]struct{ wrong, mend string }{
	Unnamed:               {"fault without a reason", "report this as a defect of the driver"},
	BusError:              {"no answer on the I2C bus", "check the wiring, pull-ups, address and supply of the device"},
	NotReady:              {"conversion not ready in time", "check the supply of the chip; replace it if it stays so"},
	WrongDevice:           {"another chip at this address", "check the address and the kind of device in the configuration"},
	SettingsLost:          {"the chip lost its settings", "check the supply of the chip for dips"},
	OpenThermocouple:      {"thermocouple open", "check the couple, its connector and both wires"},
	ShortedThermocouple:   {"thermocouple wire shorted", "look for a wire that touches metal or the supply"},
	ThermocoupleRange:     {"thermocouple out of range", "check the couple's type, polarity and wires"},
	ThermocoupleDisagrees: {"thermocouple reading does not follow from its voltage", "check the configured type; replace the chip if it stays so"},
	ColdJunctionRange:     {"cold junction out of range", "move the box to where it stays within -40 to 125 °C"},
	OpenUndetectable:      {"an open thermocouple would not be noticed", "fit a bias resistor and say so in the configuration, or use an MCP9601"},
	InputOverrange:        {"input beyond the converter's range", "check the wiring and the configured range"},
	LoopLow:               {"loop current at or below 3.6 mA", "check the wiring, fuse and supply of the transmitter"},
	LoopHigh:              {"loop current at or above 21 mA", "check the transmitter; it may be signalling its own failure"},
	LoopSaturatedLow:      {"loop current between 3.6 and 3.8 mA", "the quantity is below the transmitter's range"},
	LoopSaturatedHigh:     {"loop current between 20.5 and 21 mA", "the quantity is above the transmitter's range"},
	SignalLow:             {"signal too near to ground", "look for an open wire or a short to ground"},
	SignalHigh:            {"signal too near to the supply", "look for an open ground or a short to the supply"},
	SignalSaturatedLow:    {"signal below its span", "the quantity is below the transducer's range"},
	SignalSaturatedHigh:   {"signal above its span", "the quantity is above the transducer's range"},
	SupplyRange:           {"transducer supply out of range", "check the supply of the transducer"},
	NotANumber:            {"no finite number", "check the configured span and calibration"},
}

// String returns what is wrong, in a few words; it goes into a sample's reason.
func (r Reason) String() string {
	if r >= reasons {
		r = Unnamed
	}
	return words[r].wrong
}

// Mend returns what a person may do about it.
func (r Reason) Mend() string {
	if r >= reasons {
		r = Unnamed
	}
	return words[r].mend
}

// Reasons returns every reason of the closed list but Unnamed, in order.
func Reasons() []Reason {
	all := make([]Reason, 0, reasons-1)
	for r := Unnamed + 1; r < reasons; r++ {
		all = append(all, r)
	}
	return all
}

// Fault is why a device gave no number. Drivers return it as their error.
type Fault struct {
	Reason Reason
	// Detail says what was met, with figures; it may be empty.
	Detail string
	// Err is what lies below, for example the bus's own error; it may be nil.
	Err error
}

// Error says what is wrong, with what was met, then the mend.
func (f *Fault) Error() string {
	s := f.Reason.String()
	if f.Detail != "" {
		s += " (" + f.Detail + ")"
	}
	if f.Err != nil {
		s += ": " + f.Err.Error()
	}
	return s + "; " + f.Reason.Mend()
}

// Unwrap returns what lies below.
func (f *Fault) Unwrap() error { return f.Err }

// ReasonOf returns the reason of the fault within err, or Unnamed where there is none.
func ReasonOf(err error) Reason {
	if f, ok := errors.AsType[*Fault](err); ok {
		return f.Reason
	}
	return Unnamed
}
