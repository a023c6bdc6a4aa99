package steam_test

import (
	"errors"
	"fmt"

	"ashlamp/rules/steam"
)

// The gauge of Quillet shows 10 bar and the shed's barometer 1000 hPa: the water
// is at the boiling point of their sum.
func ExampleAtPressure() {
	const gauge, barometer = 10e5, 1000e2
	s, err := steam.AtPressure(gauge + barometer)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f °C, water %.1f kg/m3, steam %.2f kg/m3\n",
		s.Temperature, s.Liquid.Density(), s.Vapour.Density())
	fmt.Printf("heat to boil off a kilogram: %.0f kJ\n", (s.Vapour.Enthalpy-s.Liquid.Enthalpy)/1000)
	// Output:
	// 184.1 °C, water 882.6 kg/m3, steam 5.64 kg/m3
	// heat to boil off a kilogram: 1999 kJ
}

func ExampleBoilingPoint() {
	for _, hPa := range []float64{1013.25, 950} {
		t, err := steam.BoilingPoint(hPa * 100)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%.2f hPa: %.2f °C\n", hPa, t)
	}
	// Output:
	// 1013.25 hPa: 99.97 °C
	// 950.00 hPa: 98.18 °C
}

// A gauge pressure given by mistake is refused, not extrapolated.
func ExampleSaturationTemperature() {
	_, err := steam.SaturationTemperature(0)
	var r *steam.RangeError
	fmt.Println(errors.As(err, &r))
	fmt.Println(err)
	// Output:
	// true
	// saturation pressure 0 Pa is outside 611.2126..22064000 Pa; give the absolute pressure: the gauge reading plus the barometer
}

func ExampleWater() {
	w, err := steam.Water(2e5, 60)
	fmt.Printf("%.1f kg/m3, %.0f kJ/kg, %v\n", w.Density(), w.Enthalpy/1000, err)
	// Output: 983.3 kg/m3, 251 kJ/kg, <nil>
}

func ExampleSteam() {
	_, err := steam.Steam(2e5, 100) // steam of 2 bar absolute at 100 °C would be water
	fmt.Println(err)
	// Output: steam pressure 200000 Pa is outside 0..101417.9779 Pa; above the upper bound it is water or near-critical fluid at this temperature; give the absolute pressure
}

func ExampleStandardAtmosphere() {
	p, err := steam.StandardAtmosphere(300)
	fmt.Printf("%.1f hPa, %v\n", p/100, err)
	// Output: 977.7 hPa, <nil>
}

func ExampleAtTemperature() {
	s, err := steam.AtTemperature(150)
	fmt.Printf("%.3f bar absolute, %v\n", s.Pressure/1e5, err)
	// Output: 4.761 bar absolute, <nil>
}
