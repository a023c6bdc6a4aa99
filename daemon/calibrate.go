package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/daemon/setup"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/rules/telemetry"
)

// calibrate fits zero and span of a channel to points that were taken beside a
// reference, and keeps them in the configuration.
func calibrate(_ context.Context, args []string, _ io.Reader, stdout, _ io.Writer) error {
	f := flags("calibrate")
	path := f.String("c", "shed.toml", "configuration file")
	engine := f.String("engine", "", "id of the engine; left out for a channel of the shed")
	channel := f.String("channel", string(telemetry.BoilerPressure), "id of the channel")
	by := f.String("by", "", "who took the points")
	gauge := f.String("reference", "", "name of the reference")
	uncertainty := f.String("uncertainty", "", "expanded uncertainty of the reference")
	trial := f.Bool("trial", false, "keep nothing")
	if err := parse(f, args); err != nil {
		return err
	}
	if strings.TrimSpace(*by) == "" {
		return &wrongUse{"nobody is named; say with --by who took the points"}
	}
	id := telemetry.Channel(*channel)
	post := message.SetupCalibrationPost{By: *by, Reference: *gauge, Trial: *trial}
	for _, arg := range f.Args() {
		p, err := point(id, arg, *uncertainty)
		if err != nil {
			return &wrongUse{err.Error()}
		}
		post.Points = append(post.Points, p)
	}
	if len(post.Points) == 0 {
		return &wrongUse{`no points are given; write each as READING=REFERENCE, for example "0.05 bar=0 bar"`}
	}
	if _, err := readConfig(*path); err != nil {
		return err
	}
	m, err := setup.Calibrate(*path, *engine, id, post, time.Now())
	var refusal *api.Refusal
	if errors.As(err, &refusal) {
		return fmt.Errorf("%s %s", refusal.Detail, refusal.Mend)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s: value = %.6g + %.5f × reading\n", id, m.Line.Zero, m.Line.Gain)
	for i, p := range m.Points {
		v := m.Line.Apply(p.Reading)
		fmt.Fprintf(stdout, "  point %d: reading %.6g, reference %.6g ± %.3g, then %.6g (off by %.3g)\n", i+1, p.Reading, p.Reference, p.Uncertainty, v, p.Reference-v)
	}
	if x, ok := m.Zero(); ok {
		fmt.Fprintf(stdout, "  expanded uncertainty of the line at zero: %.3g\n", m.Expanded(x))
	}
	for _, n := range m.Notes {
		fmt.Fprintln(stdout, n)
	}
	if *trial {
		fmt.Fprintln(stdout, "This was a trial: nothing is kept.")
		return nil
	}
	fmt.Fprintf(stdout, "Kept in %s; the file before is %s%s. A daemon that runs takes it up by a reload on its page, or when it is started again.\n", *path, *path, setup.Old)
	return nil
}

// point reads READING=REFERENCE, with ±UNCERTAINTY behind it where it is its own.
func point(id telemetry.Channel, arg, usual string) (message.SetupPointPost, error) {
	reading, rest, ok := strings.Cut(arg, "=")
	reference, own, has := strings.Cut(rest, "±")
	if !has {
		reference, own, has = strings.Cut(rest, "+-")
	}
	if !has {
		own = usual
	}
	if !ok {
		return message.SetupPointPost{}, fmt.Errorf("%q is no point; write READING=REFERENCE, for example \"0.05 bar=0 bar\"", arg)
	}
	if strings.TrimSpace(own) == "" {
		return message.SetupPointPost{}, fmt.Errorf("point %q does not say how well its reference is known; add ±0.01 bar to it, or --uncertainty for all", arg)
	}
	var p message.SetupPointPost
	for _, q := range []struct {
		text string
		into *float64
	}{{reading, &p.Reading}, {reference, &p.Reference}, {own, &p.Uncertainty}} {
		v, err := quantityOf(id, q.text)
		if err != nil {
			return p, fmt.Errorf("point %q: %w", arg, err)
		}
		*q.into = v
	}
	return p, nil
}

// quantityOf reads a number in the channel's own unit, or a text such as "0.04 bar".
func quantityOf(id telemetry.Channel, s string) (float64, error) {
	s = strings.TrimSpace(s)
	if v, err := strconv.ParseFloat(s, 64); err == nil && v-v == 0 {
		return v, nil
	}
	return config.Quantity(id, s)
}
