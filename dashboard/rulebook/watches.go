package rulebook

import (
	"fmt"

	"ashlamp/rules/alarm"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/watch"
)

// further are the figures that a watch goes by and that no limit names.
func further(id string) []figure {
	const cp = "common practice, no source"
	switch id {
	case "over-pressure":
		return []figure{figureOf("part of the working pressure that is over it", watch.OverShare, "", cp)}
	case "water-low":
		return []figure{figureOf("part of the glass under which water is low", watch.WaterLow, "of the glass", "the lowest that a glass shows: 49 CFR 230.51; figure "+cp)}
	case "pressure-rising":
		return []figure{
			figureOf("how long after the fire is out hot brick explains a rise", watch.RisingAfterS, "s", "the project's contract"),
			figureOf("by how many times the limit it is over, counted from its lowest since that time, where the firebox is seen to cool", watch.BrickTimes, "", cp),
		}
	case "co":
		return []figure{
			figureOf("urgent from", watch.COUrgentPPM, "ppm", "OSHA 29 CFR 1910.1000"),
			figureOf("everybody out from", watch.COLeavePPM, "ppm", "EH40/2005, from memory"),
		}
	case "frost":
		return []figure{
			figureOf("a shell above this does not freeze where it stands", watch.ColdC, "°C", cp),
			figureOf("nor does a boiler above this", watch.QuietPa/1e5, "bar", cp),
		}
	case "cooling-too-fast":
		return []figure{figureOf("over how long the rate is taken", watch.RateS, "s", cp)}
	case "sensor-fault":
		return []figure{figureOf("how long a single channel must be stale beyond its limit of age", watch.StaleS, "s", cp)}
	case "clock-wrong":
		return []figure{figureOf("how long two values for one time are told", watch.ConflictS, "s", cp)}
	}
	return nil
}

func (w *writer) watches() []alert {
	var out []alert
	for _, d := range watch.Table() {
		v := alert{
			link: link{ID: d.ID, Title: d.Title}, Priority: d.Priority.String(), Consequence: d.Consequence,
			Respond: lasting(d.RespondS), Action: d.Action, Deadband: d.Deadband, Side: upper(d.Side.String()) + ".",
			On: "at once", Off: "at once", Again: "not by itself", Shelf: "not at all: it is too urgent to be put aside",
			Basis: upper(d.Source) + ".", Channels: w.channels(d.Needs), Why: upper(d.SuppressedFor), Fixed: further(d.ID),
		}
		if d.OnDelayS > 0 {
			v.On = "once it has held for " + lasting(d.OnDelayS)
		}
		if d.OffDelayS > 0 {
			v.Off = "once it has been over for " + lasting(d.OffDelayS)
		}
		if d.ReAlarmS > 0 {
			v.Again = lasting(d.ReAlarmS) + " after it was acknowledged, if it still holds"
		}
		if d.ShelfS > 0 {
			v.Shelf = "for " + lasting(d.ShelfS) + " at most"
		}
		var phases []string
		for _, p := range d.SuppressedIn {
			phases = append(phases, plain(string(p)))
		}
		v.Suppressed = list(phases)
		for _, k := range d.Limits {
			v.Limits = append(v.Limits, w.limit(k))
		}
		for _, k := range health.Kinds() {
			if raises(d, k.Kind) {
				v.Kinds = append(v.Kinds, link{ID: k.Kind.String(), Title: k.Title})
			}
		}
		v.OffFor = w.of(func(e engine.Engine) string {
			why, off := d.Off(&watch.Known{Engine: e})
			if !off {
				return ""
			}
			return why
		})
		if len(w.all) == 0 {
			if why, off := d.Off(&watch.Known{}); off {
				v.OffFor = []said{{"", why}}
			}
		}
		out = append(out, v)
	}
	return out
}

// raises reports whether a finding of a kind raises a watch: asked of the watch, with
// a finding of nothing else that has stood for a day.
func raises(d watch.Declaration, k health.Kind) bool {
	const since, day = track.Instant(1e15), 86400
	f := health.Finding{Channel: telemetry.BoilerPressure, Kind: k, Since: since}
	switch k {
	case health.ClockAhead, health.ClockBehind, health.NodeFrozen, health.NodeSilent:
		f.Channel, f.Node = "", "engine"
	}
	in, _ := d.Judge(&watch.Known{Findings: []health.Finding{f}}, since.Add(day), false)
	return in.Condition == alarm.Holding
}

func (w *writer) kinds() []kind {
	var out []kind
	for _, d := range health.Kinds() {
		v := kind{link: link{ID: d.Kind.String(), Title: d.Title}, Means: d.Means, Effect: d.Effect, Ends: d.Ends, Method: upper(d.Method)}
		for _, f := range d.Figures {
			v.Figures = append(v.Figures, figureOf(f.Meaning, f.Value, f.Unit, f.Source))
		}
		for _, x := range watch.Table() {
			if raises(x, d.Kind) {
				v.Watches = append(v.Watches, link{ID: x.ID, Title: x.Title})
			}
		}
		out = append(out, v)
	}
	return out
}

// known are the channels of the contract: every one that a rule needs.
func known() []telemetry.Channel {
	var out []telemetry.Channel
	seen := map[telemetry.Channel]bool{}
	add := func(ids []telemetry.Channel) {
		for _, id := range ids {
			if !seen[id] {
				seen[id] = true
				out = append(out, id)
			}
		}
	}
	for _, d := range declared() {
		add(d.Needs)
	}
	for _, d := range watch.Table() {
		add(d.Needs)
	}
	return out
}

func (w *writer) bounds() []bound {
	var out []bound
	for _, id := range known() {
		s := showOf(id)
		say := func(e engine.Engine) string {
			b := health.BoundsOf(e, id)
			return s.span(b.Low, b.High)
		}
		v := bound{Name: evidence.Name(id), ID: string(id), Of: w.of(say), Rise: "no bound"}
		if len(w.shown) == 0 {
			v.Of = []said{{"", say(engine.Engine{Limits: limit.Set{}})}}
		}
		b := health.BoundsOf(engine.Engine{Limits: limit.Set{}}, id)
		switch {
		case b.Rise == 0 && b.Fall == 0:
		case b.Rise == b.Fall:
			v.Rise = fmt.Sprintf("%s a second", s.size(b.Rise))
		default:
			v.Rise = fmt.Sprintf("up %s, down %s a second", s.size(b.Rise), s.size(b.Fall))
		}
		out = append(out, v)
	}
	return out
}
