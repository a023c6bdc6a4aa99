package evidence

import (
	"math"

	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// belowBoiling judges one shell sample: with its uncertainty, its contact error
// and the margin it is still below the boiling point here.
func (k *Known) belowBoiling(id telemetry.Channel, v float64) bool {
	at, _, _ := k.tracks[id].Good()
	boiling, _, ok := k.Boiling(at)
	if !ok {
		return false
	}
	return v+k.u(id, v)+contactK(v, k.airTemperature(at)) <= boiling-k.limit(limit.BoilingMargin)
}

func nothingLeftToBoil(k *Known, now track.Instant) Finding {
	if k.Engine.EmptiedBy == engine.Empty {
		return seenEmpty(k, now)
	}
	return coldShell(k, now)
}

func coldShell(k *Known, now track.Instant) Finding {
	if len(k.shells) == 0 {
		return cannotTell("No shell temperature is measured on this engine.")
	}
	boiling, why, ok := k.Boiling(now)
	if !ok {
		return cannotTell("%s.", upper(why))
	}
	var fs []Finding
	for i, t := range k.shells {
		if f, missing := k.missing(t, now); missing {
			fs = append(fs, f)
			continue
		}
		v, _ := t.Fresh(now)
		most := v + k.u(t.ID(), v) + contactK(v, k.airTemperature(now))
		fs = append(fs, held(k.shellH[i], t, now, k.holdS(), func() string {
			return sprintf("%s reads %.0f °C, %.0f at most with its errors, to be under %.1f: water boils at %.1f here", Name(t.ID()), v, most, boiling-k.limit(limit.BoilingMargin), boiling)
		}))
	}
	return all(fs...)
}

func seenEmpty(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pipe, now); missing {
		return f
	}
	if f, missing := k.missing(k.level, now); missing {
		return f
	}
	if _, why, ok := k.Boiling(now); !ok {
		return cannotTell("%s.", upper(why))
	}
	until := min(k.pipe.StaleAt(), k.level.StaleAt())
	level, _ := k.level.Fresh(now)
	pipe, _ := k.pipe.Fresh(now)
	_, began := k.Run.Began()
	if !began {
		if _, gone := k.Run.Gone(); gone {
			return finding(verdict.CannotTell, until, "The glass shows nothing, and no water was seen to leave through the cocks: only the glass may be empty.")
		}
		if k.Run.Hot() {
			return notYet(until, "The pipe is hot, and the glass has not been seen to fall: it proves nothing until it is seen to run.")
		}
		return notYet(until, "The boiler has not been seen to run empty: water at %.2f of the glass.", level)
	}
	held, credited := k.Run.Mass()
	share := func() string {
		return sprintf("at least %.0f of about %.0f kg have run out", math.Min(credited, held), held)
	}
	fellAt, fell := k.Run.Fell()
	if !fell {
		if k.Run.Hot() {
			return notYet(until, "The cocks are running, the pipe at %.0f °C: %s.", pipe, share())
		}
		return notYet(until, "The pipe is at %.0f °C and has not fallen by 30 K for good: %s.", pipe, share())
	}
	goneAt, gone := k.Run.Gone()
	if !gone {
		return notYet(until, "The pipe has fallen to %.0f °C, but there is water at %.2f of the glass.", pipe, level)
	}
	if !k.Run.Enough() {
		return finding(verdict.CannotTell, until, "The pipe fell at %s, when only %s: a cock may be shut or choked, and the boiler half full.", k.clock(fellAt), share())
	}
	if wait := goneAt.Add(k.holdS()); now < wait {
		return notYet(min(until, wait), "The glass has shown nothing for %s.", of(now.Sub(goneAt), k.holdS()))
	}
	g, said := k.Said.Get("cocks-run-dry")
	switch {
	case !said:
		return notYet(until, "Seen to run out, the pipe fallen to %.0f °C since %s. It remains to be said that the cocks run dry.", pipe, k.clock(fellAt))
	case g.At <= fellAt:
		return notYet(until, "That the cocks run dry was said at %s, before the pipe fell at %s: look again and say it again.", k.clock(g.At), k.clock(fellAt))
	}
	return Finding{verdict.Proven, min(until, k.Said.Until("cocks-run-dry")), func() string {
		return sprintf("Seen empty: the pipe ran, then fell to %.0f °C at %s; no water in the glass since %s; cocks dry by %s at %s.", pipe, k.clock(fellAt), k.clock(goneAt), someone(g.By), k.clock(g.At))
	}}
}

func cocksRunDry(k *Known, now track.Instant) Finding {
	word := k.word("cocks-run-dry")
	waive := k.limit(limit.RunDryWaiver)
	if word.Verdict == verdict.Proven || math.IsNaN(waive) || len(k.shells) == 0 {
		return word
	}
	until := track.Never
	for _, t := range k.shells {
		v, ok := t.Fresh(now)
		if !ok || !(v+k.u(t.ID(), v)+contactK(v, k.airTemperature(now)) < waive) {
			return word
		}
		until = min(until, t.StaleAt())
	}
	return finding(verdict.Proven, until, "Not asked for: every shell channel is below %.0f °C, and the owner waives it there.", waive)
}
