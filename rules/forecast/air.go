package forecast

import (
	"math"

	"ashlamp/rules/track"
)

// day is the course of the air's temperature over a day: a mean and a swing with its
// highest in mid-afternoon, both followed by a Kalman filter as it is measured.
type day struct {
	mean, swing   float64
	vMean, vSwing float64
	vBoth         float64 // covariance of the two
	at            track.Instant
	known         bool
	offsetSeconds float64 // of the shed's clock from UTC
}

// Figures of the air. Common practice, no source, where no other is named.
const (
	// warmestHour is when the air is warmest, in hours of the shed's clock: three hours
	// after noon (textbooks of meteorology, from memory).
	warmestHour = 15.0
	// swingMean and swingSD are of half the difference between the day's highest and
	// lowest, K.
	swingMean, swingSD = 3.5, 2.0
	// unmeasuredAir and unmeasuredSD stand for air that nobody measures, °C.
	unmeasuredAir, unmeasuredSD = 12.0, 7.0
	// readSD is of one reading against the course, K: passing sun and doors.
	readSD = 0.5
	// meanWalk and swingWalk are how far mean and swing wander in the root of an hour, K.
	meanWalk, swingWalk = 0.15, 0.05
)

func newDay(offsetSeconds float64) day {
	return day{
		mean: unmeasuredAir, vMean: unmeasuredSD * unmeasuredSD,
		swing: swingMean, vSwing: swingSD * swingSD, offsetSeconds: offsetSeconds,
	}
}

func (d *day) phase(at track.Instant) float64 {
	hour := math.Mod((float64(at)/1e6+d.offsetSeconds)/3600, 24)
	return math.Cos(2 * math.Pi * (hour - warmestHour) / 24)
}

// measured takes a reading of the air in °C.
func (d *day) measured(at track.Instant, tC float64) {
	c := d.phase(at)
	if !d.known {
		d.known = true
		d.at = at
	}
	if dt := at.Sub(d.at); dt > 0 {
		h := dt / 3600
		d.vMean += meanWalk * meanWalk * h
		d.vSwing += swingWalk * swingWalk * h
		d.at = at
	}
	pm, ps := d.vMean+c*d.vBoth, d.vBoth+c*d.vSwing
	v := pm + c*ps + readSD*readSD
	off := tC - (d.mean + c*d.swing)
	d.mean += pm / v * off
	d.swing += ps / v * off
	d.vMean -= pm * pm / v
	d.vBoth -= pm * ps / v
	d.vSwing -= ps * ps / v
}

// temperature is what the air is expected to be, °C.
func (d *day) temperature(at track.Instant) float64 { return d.mean + d.swing*d.phase(at) }
