package thermocouple_test

import (
	"fmt"

	"ashlamp/hardware/thermocouple"
)

func ExampleEMF() {
	mV, err := thermocouple.EMF(thermocouple.K, 100)
	fmt.Printf("%.3f mV, %v\n", mV, err)
	// Output: 4.096 mV, <nil>
}

// The converter reads 6.138 mV between the ends of the wires, which stand at
// 23.5 °C in the cab of Quillet.
func ExampleCompensated() {
	tC, err := thermocouple.Compensated(thermocouple.K, 6.138, 23.5)
	fmt.Printf("%.1f °C, %v\n", tC, err)
	// Output: 173.4 °C, <nil>
}

// An input that floats is refused, not read as a temperature.
func ExampleTemperature() {
	_, err := thermocouple.Temperature(thermocouple.T, 25)
	fmt.Println(err)
	// Output: type T emf 25 mV is outside -5.602961..20.87197 mV; check for an open or reversed thermocouple and the type configured
}

func ExampleParseType() {
	_, err := thermocouple.ParseType("k")
	fmt.Println(err)
	// Output: thermocouple type "k" is not known; give K, N, J or T
}
