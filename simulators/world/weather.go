package world

import "math"

// Weather is the air in and around the shed.
type Weather struct {
	// Mean and Swing make the temperature: mean plus swing at 15 h, less at 3 h, °C.
	Mean, Swing float64
	// DewPoint, °C, holds through the evening.
	DewPoint float64
	// Pressure at the shed's own height in Pa, and how it moves, Pa/h.
	Pressure, Trend float64
	// CO is the carbon monoxide far from any fire, as a ratio.
	CO float64
}

// temperature at an hour of the day, °C. The fall after sunset is steeper than
// the cosine; two harmonics give that much.
func (w *Weather) temperature(hour float64) float64 {
	a := 2 * math.Pi * (hour - 15) / 24
	return w.Mean + w.Swing*(0.9*math.Cos(a)+0.1*math.Cos(2*a))
}

// trendMost is the furthest that a trend takes the air's pressure, Pa.
const trendMost = 1000
