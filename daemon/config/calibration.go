package config

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ashlamp/hardware/calibration"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

// Calibration is zero and span of a channel, and what they rest on. The file keeps the
// points, not the line: whoever doubts it can fit them again.
type Calibration struct {
	// Engine is empty for a channel of the shed.
	Engine  string
	Channel telemetry.Channel
	// At is when it was made, By who made it, Reference the gauge beside it.
	At            time.Time
	By, Reference string
	// Points are in the channel's unit.
	Points []CalibrationPoint
	Line   calibration.Line
	// Low and High are the instrument's range in the channel's unit.
	Low, High float64
}

// CalibrationPoint is one comparison, in the channel's unit.
type CalibrationPoint struct {
	// Reading is what the instrument gave without a calibration.
	Reading, Reference float64
	// Uncertainty is the expanded uncertainty (coverage factor 2) of the reference.
	Uncertainty float64
	// At is when it was taken; zero where not stated.
	At time.Time
}

// coverage is the factor of the expanded uncertainties (JCGM 100:2008, 6.3.3: about 95 %).
const coverage = 2

// Fit fits the points of a channel with a range of low to high in its unit, both
// finite. Its errors are those of [calibration.Fit]; drift from an earlier one is not
// looked at.
func Fit(points []CalibrationPoint, low, high float64) (calibration.Line, []float64, error) {
	ps := make([]calibration.Point, len(points))
	for i, p := range points {
		ps[i] = calibration.Point{Reading: p.Reading, Reference: p.Reference, Standard: p.Uncertainty / coverage}
	}
	return calibration.Fit(ps, high-low)
}

// Expanded is the expanded uncertainty of the line alone at a reading.
func (c Calibration) Expanded(reading float64) float64 { return coverage * c.Line.Standard(reading) }

// Zero returns the reading that the line takes for zero, and false where that is
// outside the range.
func (c Calibration) Zero() (reading float64, ok bool) {
	if c.Line.None() {
		return 0, false
	}
	x := -c.Line.Zero / c.Line.Gain
	return x, x >= math.Min(c.Low, c.High) && x <= math.Max(c.Low, c.High)
}

// Decides is the least uncertainty that a channel with this calibration may state: that
// of the line at zero for a pressure, for there it proves something; elsewhere that of
// the worst end of what was compared.
func (c Calibration) Decides() float64 {
	if unit, _ := telemetry.UnitOf(c.Channel); unit == telemetry.Pascal {
		if x, ok := c.Zero(); ok {
			return c.Expanded(x)
		}
	}
	worst := 0.0
	for _, p := range c.Points {
		worst = math.Max(worst, c.Expanded(p.Reading))
	}
	return worst
}

// Calibration returns the one in use for a channel, and false where there is none.
// engine is empty for a channel of the shed.
func (c Config) Calibration(engine string, id telemetry.Channel) (Calibration, bool) {
	for _, k := range c.Calibrations {
		if k.Engine == engine && k.Channel == id {
			return k, true
		}
	}
	return Calibration{}, false
}

type fileCalibration struct {
	At        *time.Time  `toml:"at"`
	By        string      `toml:"by"`
	Reference string      `toml:"reference"`
	Points    []filePoint `toml:"points"`
}

type filePoint struct {
	Reading     any        `toml:"reading"`
	Reference   any        `toml:"reference"`
	Uncertainty any        `toml:"uncertainty"`
	At          *time.Time `toml:"at"`
}

func (r *reader) calibration(at, owner string, ch engine.Channel, f fileCalibration, wired *fileWired) (Calibration, bool) {
	key := at + ".calibration"
	before := len(r.faults)
	c := Calibration{Engine: owner, Channel: ch.ID, By: f.By, Reference: f.Reference, Low: ch.Low, High: ch.High}
	if f.At == nil {
		r.fault(key+".at", "channel %s: the calibration does not say when it was made; add at = 2031-05-04T10:00:00Z", ch.ID)
	} else {
		c.At = f.At.UTC()
	}
	if strings.TrimSpace(f.By) == "" {
		r.fault(key+".by", "channel %s: the calibration does not say who made it; add by = \"NAME\"", ch.ID)
	}
	if !(ch.Low < ch.High) {
		r.fault(key, "channel %s: a calibration needs range = [low, high], the instrument's", ch.ID)
	}
	if wired != nil && wired.Chip != "ads1115" {
		r.fault(key, "channel %s: a thermocouple converter has neither zero nor span to set; delete the calibration, and state the couple's class as uncertainty", ch.ID)
	}
	for i, p := range f.Points {
		name := fmt.Sprintf("%s.points[%d]", key, i)
		point := CalibrationPoint{Reading: math.NaN(), Reference: math.NaN(), Uncertainty: math.NaN()}
		for _, q := range []struct {
			key  string
			in   any
			into *float64
		}{{"reading", p.Reading, &point.Reading}, {"reference", p.Reference, &point.Reference}, {"uncertainty", p.Uncertainty, &point.Uncertainty}} {
			if q.in == nil {
				r.fault(name+"."+q.key, "channel %s: point %d of the calibration has no %s; add it", ch.ID, i+1, q.key)
				continue
			}
			*q.into = r.quantity(name+"."+q.key, ch.ID, q.in)
		}
		if p.At != nil {
			point.At = p.At.UTC()
		}
		c.Points = append(c.Points, point)
	}
	if len(r.faults) > before {
		return c, false
	}
	var err error
	if c.Line, _, err = Fit(c.Points, c.Low, c.High); err != nil {
		r.fault(key, "channel %s: calibration: %s", ch.ID, err)
		return c, false
	}
	if err := calibration.Drift(c.Line, calibration.Line{}, c.Low, c.High); err != nil {
		r.fault(key, "channel %s: calibration: %s", ch.ID, err)
		return c, false
	}
	if d := c.Decides(); ch.Uncertainty < d*(1-1e-9) {
		r.fault(at+".uncertainty", "channel %s: uncertainty = %g is less than its calibration's own, %.4g; write that, or calibrate with a better reference", ch.ID, ch.Uncertainty, d)
		return c, false
	}
	return c, true
}
