package setup

import (
	"context"
	"fmt"
	"math"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/daemon/config/edit"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/hardware/calibration"
	"ashlamp/rules/telemetry"
)

const (
	// maxPoints is the most comparisons in one calibration: up and down the range in
	// tenths. Common practice, no source.
	maxPoints = 24
	// maxResidual is how far, as a share of the range, a point may lie off the line: one
	// that lies further was misread, or the transducer is not straight (common practice,
	// no source).
	maxResidual = 0.02
	// asWas is the greatest age of a comparison: what was read on another day was read of
	// another transducer (common practice, no source).
	asWas = 24 * time.Hour
	// zeroWorth is the uncertainty of a boiler's pressure, Pa, beyond which nothing about
	// zero is proven by it (the outside contract).
	zeroWorth = 0.10e5
)

const readAgain = "Read the gauge and the channel again, at rest, near both ends of the range."

// Made is a calibration that is good, ready to be written.
type Made struct {
	config.Calibration
	// Uncertainty is what the channel's must be raised to; 0 where it is wide enough.
	Uncertainty float64
	Notes       []string
}

// Make fits points that were taken beside a reference, with the channel as it is
// configured: readings are as the channel shows them, with the calibration that is in
// use. now is the time by the daemon's clock. It refuses, with the reason, what cannot
// be believed.
func Make(c config.Config, engineID string, id telemetry.Channel, post message.SetupCalibrationPost, now time.Time) (Made, error) {
	ch, ok := channelOf(&c, engineID, id)
	owner := engineID
	if id.OfShed() != (engineID == "") || !ok {
		return Made{}, no(problem.UnknownChannel, "See channels in GET /setup for those that there are; those of the shed (ambient.*) are under /setup/shed/channels.", "no channel has the id %q there", id)
	}
	var w *message.SetupWired
	for _, one := range c.Wired {
		if one.Engine == owner && one.Channel == id {
			w = wired(one)
		}
	}
	if why := hindrance(ch, w); why != "" {
		return Made{}, no(problem.NoCalibration, "Nothing was written.", "%s", why)
	}
	if len(post.Points) > maxPoints {
		return Made{}, no(problem.NoCalibration, "Send those near the ends, and a few between.", "%d points are more than %d", len(post.Points), maxPoints)
	}
	old, had := c.Calibration(owner, id)
	m := Made{Calibration: config.Calibration{
		Engine: owner, Channel: id, At: now.UTC().Truncate(time.Second), By: post.By, Reference: post.Reference, Low: ch.Low, High: ch.High,
	}}
	for i, p := range post.Points {
		point := config.CalibrationPoint{Reading: p.Reading, Reference: p.Reference, Uncertainty: p.Uncertainty}
		if had {
			point.Reading = (p.Reading - old.Line.Zero) / old.Line.Gain
		}
		// What nobody wrote down to more digits is not kept to more.
		point.Reading = round(point.Reading, 6)
		switch {
		case !(p.Uncertainty > 0) || math.IsInf(p.Uncertainty, 0):
			return m, no(problem.NoCalibration, "Give the gauge's expanded uncertainty, from its certificate or class; with the boiler open to the air, how well zero is known.", "point %d: no reference is exact, and its uncertainty is %g", i+1, p.Uncertainty)
		case !(p.Uncertainty <= 0.05*(ch.High-ch.Low)):
			return m, no(problem.NoCalibration, "Use a gauge of a better class.", "point %d: the reference is uncertain by %.3g of a range of %.3g, more than 5 %%", i+1, p.Uncertainty, ch.High-ch.Low)
		case !(point.Reading >= ch.Low-0.1*(ch.High-ch.Low) && point.Reading <= ch.High+0.1*(ch.High-ch.Low)):
			return m, no(problem.NoCalibration, "Check the channel's range and unit.", "point %d: a reading of %.6g is outside the range %.6g to %.6g", i+1, point.Reading, ch.Low, ch.High)
		}
		if p.At != "" {
			at, err := time.Parse(time.RFC3339, p.At)
			if err != nil {
				return m, no(problem.BadRequest, "Write a time as 2031-05-04T17:02:00Z.", "point %d: %q is no time", i+1, p.At)
			}
			if d := now.Sub(at); d < -c.Shed.Skew || d > asWas {
				return m, no(problem.NoCalibration, "Take the points anew, one after the other.", "point %d was taken at %s, and it is %s now", i+1, at.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339))
			}
			point.At = at.UTC().Truncate(time.Second)
		}
		m.Points = append(m.Points, point)
	}
	line, residuals, err := config.Fit(m.Points, ch.Low, ch.High)
	if err != nil {
		return m, no(problem.NoCalibration, readAgain, "%s", err)
	}
	for i, r := range residuals {
		if math.Abs(r) > maxResidual*(ch.High-ch.Low) {
			return m, no(problem.NoCalibration, readAgain, "point %d lies %.1f %% of the range off the line through all, more than %.0f %%", i+1, 100*math.Abs(r)/(ch.High-ch.Low), 100*maxResidual)
		}
	}
	before := calibration.Line{}
	if had {
		before = old.Line
	}
	if err := calibration.Drift(line, before, ch.Low, ch.High); err != nil {
		return m, no(problem.NoCalibration, readAgain, "%s", err)
	}
	if err := calibration.Drift(line, calibration.Line{}, ch.Low, ch.High); err != nil {
		return m, no(problem.NoCalibration, readAgain, "%s", err)
	}
	m.Line = line
	if least := m.Decides(); ch.Uncertainty < least {
		m.Uncertainty = upward(least)
		m.Notes = append(m.Notes, fmt.Sprintf("The channel's uncertainty is raised from %.4g to %.4g %s, which is what this calibration is worth.", ch.Uncertainty, m.Uncertainty, unitOf(id)))
	}
	if id == telemetry.BoilerPressure && math.Max(ch.Uncertainty, m.Uncertainty) > zeroWorth {
		m.Notes = append(m.Notes, "With an uncertainty over 0.10 bar this channel proves nothing about zero. Take the zero point with the boiler open to the air, where the reference is best.")
	}
	if len(m.Points) == 2 {
		m.Notes = append(m.Notes, "Two points make a line whatever the transducer does between them. A third shows whether it is straight.")
	}
	return m, nil
}

func unitOf(id telemetry.Channel) telemetry.Unit {
	u, _ := telemetry.UnitOf(id)
	return u
}

// round keeps so many significant digits.
func round(v float64, digits int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	p := math.Pow(10, float64(digits)-math.Ceil(math.Log10(math.Abs(v))))
	return math.Round(v*p) / p
}

// upward rounds up to two digits, so that what is written is never less.
func upward(v float64) float64 {
	p := math.Pow(10, 2-math.Ceil(math.Log10(v)))
	up := math.Ceil(v*p) / p
	if up < v {
		up = (math.Ceil(v*p) + 1) / p
	}
	return up
}

// Put writes a calibration into a configuration's text.
func (m Made) Put(d *edit.Document) error {
	at, err := where(d, m.Engine, m.Channel)
	if err != nil {
		return err
	}
	if m.Uncertainty > 0 {
		if err := d.Set(edit.Join(at, "uncertainty"), quantity(m.Channel, m.Uncertainty, true)); err != nil {
			return err
		}
	}
	points := make([]edit.Value, len(m.Points))
	for i, p := range m.Points {
		fields := []edit.Field{
			{Key: "reading", Value: quantity(m.Channel, p.Reading, false)},
			{Key: "reference", Value: quantity(m.Channel, p.Reference, false)},
			{Key: "uncertainty", Value: quantity(m.Channel, p.Uncertainty, true)},
		}
		if !p.At.IsZero() {
			fields = append(fields, edit.Field{Key: "at", Value: edit.Time(p.At)})
		}
		points[i] = edit.Inline(fields...)
	}
	return all(d, edit.Join(at, "calibration"),
		edit.Field{Key: "at", Value: edit.Time(m.At)},
		edit.Field{Key: "by", Value: edit.Text(m.By)},
		edit.Field{Key: "reference", Value: text(m.Reference)},
		edit.Field{Key: "points", Value: edit.Lines(points...)},
	)
}

// said tells the book what was done.
func (m Made) said() string {
	beside := ""
	if m.Reference != "" {
		beside = " beside " + m.Reference
	}
	return fmt.Sprintf("%s was calibrated%s: zero %.6g, gain %.5f, from %d points.", named(m.Engine, m.Channel), beside, m.Line.Zero, m.Line.Gain, len(m.Points))
}

// Calibrate implements [api.Setup].
func (s *Setup) Calibrate(ctx context.Context, engineID string, id telemetry.Channel, post message.SetupCalibrationPost) (message.SetupCalibrated, error) {
	s.mu.Lock()
	c := s.config
	s.mu.Unlock()
	if c == nil {
		return message.SetupCalibrated{}, no(problem.NotNow, "Name the shed, an engine and the channel first.", "there is no configuration yet")
	}
	m, err := Make(*c, engineID, id, post, s.o.Clock.Now())
	if err != nil {
		return message.SetupCalibrated{}, err
	}
	ch := changed{hash: post.Hash, by: post.By, engine: engineID, what: m.said(), trial: post.Trial}
	if err := s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error { return m.Put(d) }); err != nil {
		return message.SetupCalibrated{}, err
	}
	return message.SetupCalibrated{Calibration: viewCalibration(m.Calibration), Kept: !post.Trial, Notes: m.Notes}, nil
}

// DeleteCalibration implements [api.Setup].
func (s *Setup) DeleteCalibration(ctx context.Context, engineID string, id telemetry.Channel, hash, by string) error {
	ch := changed{hash: hash, by: by, engine: engineID, what: "The calibration of " + named(engineID, id) + " was taken out."}
	return s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error {
		at, err := where(d, engineID, id)
		if err != nil {
			return err
		}
		return d.Delete(edit.Join(at, "calibration"))
	})
}

// Calibrate makes a calibration for the configuration at path and keeps it there,
// unless it is a trial. post's hash is not asked for: the file is read and written at
// once. It refuses what [Make] refuses.
func Calibrate(path, engineID string, id telemetry.Channel, post message.SetupCalibrationPost, now time.Time) (Made, error) {
	before, err := read(path)
	if err != nil {
		return Made{}, err
	}
	c, err := config.Parse(path, before)
	if err != nil {
		return Made{}, err
	}
	m, err := Make(c, engineID, id, post, now)
	if err != nil {
		return m, err
	}
	d, err := edit.Parse(before)
	if err != nil {
		return m, err
	}
	if err := m.Put(d); err != nil {
		return m, err
	}
	if _, err := config.Parse(path, d.Text()); err != nil {
		return m, err
	}
	if post.Trial {
		return m, nil
	}
	if err := write(path+Old, before); err != nil {
		return m, err
	}
	return m, write(path, d.Text())
}
