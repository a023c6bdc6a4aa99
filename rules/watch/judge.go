package watch

import (
	"fmt"
	"math"

	"ashlamp/rules/alarm"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/moistair"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// say puts a sentence only where somebody hears it.
func say(c alarm.Condition, aloud bool, sentence func() string) string {
	if c != alarm.Holding && !aloud {
		return ""
	}
	return sentence()
}

func overPressure(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	working := k.Engine.WorkingPressure * 1e5
	c := d.over(k.Pressure, OverShare*working, bandPressureShare*1.6*working)
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("%.2f bar, working pressure is %.1f bar", k.Pressure.Value/1e5, k.Engine.WorkingPressure)
	})}
}

func waterLow(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	c := d.under(k.Level, WaterLow, bandLevel)
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("water at %.0f %% of the glass", 100*math.Max(0, k.Level.Value))
	})}
}

func litOpen(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	burning := k.Firebox.Known && k.Firebox.Value >= 500 // nothing but a fire explains it
	c := alarm.Clear
	switch {
	case k.PlugsRemoved && (k.SaidLit || k.Fire == FireRelit || burning):
		c = alarm.Holding
	case k.PlugsRemoved && !k.Firebox.Known:
		c = alarm.Unknown
	}
	how := "seen in the firebox"
	if k.SaidLit {
		how = "said to be lit"
	}
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("a fire is %s, and the plugs are said to be out", how)
	})}
}

func fireRelit(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	if k.Fire != FireRelit {
		c := alarm.Clear
		if k.Fire == FireOut && !k.Firebox.Known {
			c = alarm.Unknown
		}
		return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
			return "no fire seen"
		})}
	}
	// It is over when the firebox is back where it was before.
	c := alarm.Holding
	if k.Marks.isRelit {
		if c = d.over(k.Firebox, k.Marks.relitC, 10); c == alarm.Between {
			c = alarm.Holding
		}
	}
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("firebox at %.0f °C and risen after the fire was dropped", k.Firebox.Value)
	})}
}

func pressureRising(d *Declaration, k *Known, now track.Instant, aloud bool) finding {
	if k.Fire == FireIn {
		return finding{c: alarm.Clear, p: d.Priority}
	}
	low, ok := k.Marks.Lowest()
	if !ok {
		return finding{c: alarm.Unknown, p: d.Priority}
	}
	if from := k.Marks.FireOutAt().Add(RisingAfterS); now < from {
		return finding{c: alarm.Clear, p: d.Priority, until: from}
	}
	lim := k.limit(limit.Rising) * 1e5
	// A firebox that cools is hot brick. What it gave the water in its first half hour
	// is past, and what it gives after that grows less.
	if r := k.FireboxRate; r.Known && r.Value < -r.U && k.Fire == FireOut && k.Marks.isLate {
		low = k.Marks.late
		lim *= BrickTimes
	}
	// Of one transducer against itself: what it has wrong stays the same.
	rise := Reading{Value: k.Pressure.Value - low, Known: k.Pressure.Known}
	c := d.over(rise, lim, lim/2)
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("%.2f bar, %.2f bar over the lowest since the fire was dropped", k.Pressure.Value/1e5, rise.Value/1e5)
	})}
}

// leftShut suppresses a vacuum where the boiler is left shut with its water: it is
// what that cools to, and nobody is at it.
func leftShut(d *Declaration, k *Known) (string, bool) {
	if k.LayUp == telemetry.Dry || k.PlugsRemoved {
		return "", false
	}
	return inPhase(d, k)
}

func vacuum(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	c := d.under(k.Pressure, k.limit(limit.Vacuum)*1e5, bandVacuumPa)
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("%.2f bar in the boiler", k.Pressure.Value/1e5)
	})}
}

func carbonMonoxide(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	ppm := Reading{Value: k.CO.Value * 1e6, U: k.CO.U * 1e6, Known: k.CO.Known, Doubtful: k.CO.Doubtful}
	// The lowest level advises, by the reading itself; the others press people to leave.
	p, advise := alarm.Low, *d
	advise.Side = AsRead
	c := advise.over(ppm, k.limit(limit.CO), bandCOPPM)
	for _, l := range []struct {
		ppm float64
		p   alarm.Priority
	}{{COUrgentPPM, alarm.Medium}, {COLeavePPM, alarm.High}} {
		if d.over(ppm, l.ppm, bandCOPPM) == alarm.Holding {
			c, p = alarm.Holding, l.p
		}
	}
	todo := "air the shed and find what burns"
	switch p {
	case alarm.Medium:
		todo = "out, unless you must"
	case alarm.High:
		todo = "everybody out"
	}
	return finding{c: c, p: p, text: say(c, aloud, func() string {
		return fmt.Sprintf("%.0f ppm carbon monoxide: %s", ppm.Value, todo)
	})}
}

func frost(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	c := d.under(k.Air, k.limit(limit.Frost), 1)
	where, water := k.waterAboard()
	if !water && c != alarm.Unknown {
		c = alarm.Clear
	}
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("shed at %.1f °C, water %s", k.Air.Value, where)
	})}
}

// waterAboard reports whether water may be in the engine, and where. What is not
// known to be empty holds water.
func (k *Known) waterAboard() (where string, yes bool) {
	for i, t := range [...]Reading{k.TankLeft, k.TankRight} {
		if i < k.Engine.Tanks && t.Known && t.Value > k.limit(limit.TankEmpty)+t.U {
			return "in the tanks", true
		}
	}
	switch {
	case k.PlugsRemoved:
		return "nowhere", false
	case k.Level.Known && k.Level.Value > k.Level.U:
		return "in the boiler", true
	case k.Emptied:
		return "nowhere", false
	case k.LayUp == telemetry.Dry:
		return "not seen to be out of the boiler", true
	}
	return "in the boiler", true
}

func tanksUnbalanced(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	if k.Engine.Tanks < 2 {
		return finding{c: alarm.Clear, p: d.Priority}
	}
	l, r := k.TankLeft, k.TankRight
	diff := Reading{Value: math.Abs(l.Value - r.Value), U: math.Hypot(l.U, r.U), Known: l.Known && r.Known}
	c := d.over(diff, k.limit(limit.Unbalanced), bandTank)
	return finding{c: c, p: d.Priority, text: say(c, aloud, func() string {
		return fmt.Sprintf("left tank %.0f %%, right tank %.0f %%", 100*l.Value, 100*r.Value)
	})}
}

func condensation(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	coldest := Reading{Value: math.Inf(1)}
	for _, s := range k.Shells {
		if s.Known && s.Value < coldest.Value {
			coldest = s.Reading
		}
	}
	f := finding{c: alarm.Unknown, p: d.Priority}
	if !coldest.Known || !k.Air.Known || !k.AirHumidity.Known {
		return f
	}
	dew, err := moistair.DewPoint(k.Air.Value, math.Min(k.AirHumidity.Value, 100))
	if err != nil {
		return f
	}
	f.c = d.under(Reading{Value: coldest.Value - dew, U: coldest.U, Known: true}, k.limit(limit.DewMargin), bandDewK)
	f.text = say(f.c, aloud, func() string {
		return fmt.Sprintf("coldest metal %.1f °C, dew point %.1f °C", coldest.Value, dew)
	})
	return f
}

func coolingTooFast(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	f := finding{c: alarm.Clear, p: d.Priority}
	lim := k.limit(limit.Cooling)
	fastest := math.Inf(-1)
	for _, s := range k.Shells {
		fall := Reading{Value: -s.Rate.Value, U: s.Rate.U, Known: s.Rate.Known}
		f.c = join(f.c, d.over(fall, lim, bandRateShare*lim))
		if fall.Known {
			fastest = math.Max(fastest, fall.Value)
		}
	}
	if len(k.Shells) == 0 {
		f.c = alarm.Unknown
	}
	f.text = say(f.c, aloud, func() string {
		return fmt.Sprintf("the shell cools at %.0f K/h, the limit is %.0f", fastest, lim)
	})
	return f
}

func shellSpread(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	f := finding{c: alarm.Unknown, p: d.Priority}
	lo, hi := Reading{Value: math.Inf(1)}, Reading{Value: math.Inf(-1)}
	for _, s := range k.Shells {
		if !s.Known {
			continue
		}
		if s.Value < lo.Value {
			lo = s.Reading
		}
		if s.Value > hi.Value {
			hi = s.Reading
		}
	}
	if len(k.Shells) < 2 || !lo.Known {
		return f
	}
	lim := k.limit(limit.Spread)
	f.c = d.over(Reading{Value: hi.Value - lo.Value, U: math.Hypot(lo.U, hi.U), Known: true}, lim, bandTemperatureK)
	f.text = say(f.c, aloud, func() string {
		return fmt.Sprintf("%.0f K between the ends of the shell, the limit is %.0f", hi.Value-lo.Value, lim)
	})
	return f
}

// ofFindings holds while a finding of the wanted kinds stands. What the boiler and the
// fire are judged by presses more than the rest.
func ofFindings(d *Declaration, k *Known, aloud bool, want func(*health.Finding) bool, clear string) finding {
	f := finding{c: alarm.Clear, p: alarm.Low}
	n, first := 0, ""
	for i := range k.Findings {
		h := &k.Findings[i]
		if !want(h) {
			continue
		}
		p := alarm.Low
		switch h.Channel {
		case telemetry.BoilerPressure, telemetry.BoilerLevel, telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.BlowdownPipe, "":
			p = d.Priority
		}
		if n++; first == "" || p < f.p {
			first = h.Text
		}
		f.c, f.p = alarm.Holding, min(f.p, p)
	}
	switch {
	case n == 1:
		f.text = first
	case n > 1:
		f.text = fmt.Sprintf("%s And %d more.", first, n-1)
	case aloud:
		f.text = clear
	}
	return f
}

func (k *Known) silent(node string) bool {
	for i := range k.Findings {
		if k.Findings[i].Kind == health.NodeSilent && k.Findings[i].Node == node {
			return true
		}
	}
	return false
}

func sensorFault(d *Declaration, k *Known, now track.Instant, aloud bool) finding {
	engine, shed := k.silent("engine"), k.silent("shed")
	until := track.Never
	f := ofFindings(d, k, aloud, func(h *health.Finding) bool {
		switch h.Kind {
		case health.Stale:
			// A whole node that falls silent is one matter, not ten.
			at := h.Since.Add(StaleS)
			if at > now {
				until = min(until, at)
				return false
			}
			return !(h.Channel.OfShed() && shed || !h.Channel.OfShed() && engine)
		case health.NoSignal, health.OutOfRange, health.Spikes, health.Jumped, health.Noisy, health.Coarse,
			health.Frozen, health.Detached, health.OtherUnit, health.NodeFrozen:
			return true
		}
		return false
	}, "all sensors are sound again")
	f.until = until
	return f
}

func sensorsDisagree(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	return ofFindings(d, k, aloud, func(h *health.Finding) bool {
		return h.Kind == health.Disagrees || h.Kind == health.Drifting
	}, "the sensors agree again")
}

func nodeLost(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	f := finding{c: alarm.Clear, p: d.Priority}
	away := 0
	for _, n := range k.Nodes {
		switch {
		case n.PutAway:
			away++
		case !n.Up:
			f.c = alarm.Holding
			f.text = fmt.Sprintf("Node %s is gone.", n.ID)
			return f
		}
	}
	// A node that falls silent without a word is known only by its channels; one that
	// was put away explains it.
	for i := range k.Findings {
		if h := &k.Findings[i]; h.Kind == health.NodeSilent && away == 0 {
			f.c, f.text = alarm.Holding, h.Text
			return f
		}
	}
	if aloud {
		f.text = "all nodes are heard"
	}
	return f
}

func clockWrong(d *Declaration, k *Known, now track.Instant, aloud bool) finding {
	f := ofFindings(d, k, aloud, func(h *health.Finding) bool {
		return h.Kind == health.ClockAhead || h.Kind == health.ClockBehind
	}, "the clocks are right again")
	f.p = d.Priority
	if k.ConflictAt != 0 && f.c == alarm.Clear {
		if until := k.ConflictAt.Add(ConflictS); now < until {
			f.c, f.until, f.text = alarm.Holding, until, "Two different values came for the same time; the first was kept. Look at the node's clock."
		}
	}
	return f
}

func storeTrouble(d *Declaration, k *Known, _ track.Instant, aloud bool) finding {
	f := finding{c: alarm.Clear, p: d.Priority}
	if k.Store != "" {
		f.c, f.text = alarm.Holding, k.Store
	} else if aloud {
		f.text = "samples are kept again"
	}
	return f
}
