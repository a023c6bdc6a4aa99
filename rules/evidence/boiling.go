package evidence

import (
	"math"

	"ashlamp/rules/blowdown"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// most returns the highest temperature that a shell couple's reading may stand
// for: with its uncertainty and its contact error.
func (k *Known) most(s *sensor, v float64, at track.Instant) float64 {
	return v + s.u(v) + contactK(v, k.airTemperature(at))
}

// belowBoiling judges one shell sample: with its errors and the margin it is
// still below the boiling point here.
func (k *Known) belowBoiling(s *sensor, v float64, at track.Instant) bool {
	boiling, _, ok := k.Boiling(at)
	return ok && k.most(s, v, at) <= boiling-k.limit(limit.BoilingMargin)
}

func nothingLeftToBoil(k *Known, now track.Instant) Finding {
	if k.Engine.EmptiedBy == engine.Empty {
		return seenEmpty(k, now)
	}
	return coldShell(k, now)
}

func coldShell(k *Known, now track.Instant) Finding {
	if len(k.shells) == 0 {
		return k.cannotTell(func() string { return "No shell temperature is measured on this engine." })
	}
	boiling, why, ok := k.Boiling(now)
	if !ok {
		return k.cannotTell(func() string { return upper(why) + "." })
	}
	out := nothing
	for _, s := range k.shells {
		if f, missing := k.missing(s.sensor, now); missing {
			out = out.and(f)
			continue
		}
		out = out.and(k.held(s.belowBoiling, now, k.holdS(), func() string {
			v, _ := s.Fresh(now)
			return sprintf("%s reads %.0f °C, %.0f at most with its errors, to be under %.1f: water boils at %.1f here", Name(s.ID()), v, k.most(s.sensor, v, now), boiling-k.limit(limit.BoilingMargin), boiling)
		}))
	}
	return out
}

func seenEmpty(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pipe, now); missing {
		return f
	}
	if f, missing := k.missing(k.level, now); missing {
		return f
	}
	if _, why, ok := k.Boiling(now); !ok {
		return k.cannotTell(func() string { return upper(why) + "." })
	}
	level, _ := k.level.Fresh(now)
	pipe, _ := k.pipe.Fresh(now)
	if _, began := k.Run.Began(); !began {
		if goneAt, gone := k.Run.Gone(); gone {
			if due := goneAt.Add(blowdown.LagS); now < due {
				return k.finding(verdict.NotYet, due, func() string {
					return "The glass has just emptied: whether the pipe runs is seen within a minute."
				})
			}
			return k.cannotTell(func() string {
				return "The glass shows nothing, and no water was seen to leave through the cocks: only the glass may be empty."
			})
		}
		return k.notYet(func() string {
			if k.Run.Hot() {
				return "The pipe is hot, and the glass has not been seen to fall: it proves nothing until it is seen to run."
			}
			return sprintf("The boiler has not been seen to run empty: water at %.2f of the glass.", level)
		})
	}
	share := func() string {
		held, credited := k.Run.Mass()
		return sprintf("at least %.0f of about %.0f kg have run out", math.Min(credited, held), held)
	}
	fellAt, fell := k.Run.Fell()
	if !fell {
		return k.notYet(func() string {
			if k.Run.Hot() {
				return sprintf("The cocks are running, the pipe at %.0f °C: %s.", pipe, share())
			}
			return sprintf("The pipe is at %.0f °C and has not fallen by 30 K for good: %s.", pipe, share())
		})
	}
	if p, held := k.Run.Held(); held {
		return k.cannotTell(func() string {
			return sprintf("The pipe no longer ran with %s still in the boiler: a cock was shut or choked, and there may be water behind it. It fell at %s.", bar(p), k.clock(fellAt))
		})
	}
	goneAt, gone := k.Run.Gone()
	if !gone {
		return k.notYet(func() string {
			return sprintf("The pipe has fallen to %.0f °C, but there is water at %.2f of the glass.", pipe, level)
		})
	}
	if !k.Run.Enough() {
		return k.cannotTell(func() string {
			return sprintf("The pipe fell at %s, when only %s: a cock may be shut or choked, and the boiler half full.", k.clock(fellAt), share())
		})
	}
	if due := goneAt.Add(k.holdS()); now < due {
		return k.finding(verdict.NotYet, due, func() string {
			return sprintf("The glass has shown nothing for %s.", of(now.Sub(goneAt), k.holdS()))
		})
	}
	g, said := k.Said.Get("cocks-run-dry")
	switch {
	case !said:
		return k.notYet(func() string {
			return sprintf("Seen to run out, the pipe fallen to %.0f °C since %s. It remains to be said that the cocks run dry.", pipe, k.clock(fellAt))
		})
	case g.At <= fellAt:
		return k.notYet(func() string {
			return sprintf("That the cocks run dry was said at %s, before the pipe fell at %s: look again and say it again.", k.clock(g.At), k.clock(fellAt))
		})
	}
	return k.finding(verdict.Proven, k.Said.Until("cocks-run-dry"), func() string {
		return sprintf("Seen empty: the pipe ran, then fell to %.0f °C at %s; no water in the glass since %s; cocks dry by %s at %s.", pipe, k.clock(fellAt), k.clock(goneAt), someone(g.By), k.clock(g.At))
	})
}

func cocksRunDry(k *Known, now track.Instant) Finding {
	word := k.word("cocks-run-dry")
	waive := k.limit(limit.RunDryWaiver)
	if word.Verdict == verdict.Proven || math.IsNaN(waive) || len(k.shells) == 0 {
		return word
	}
	due := track.Instant(math.MinInt64)
	for _, s := range k.shells {
		if _, ok := s.waived.Held(now); !ok {
			return word
		}
		due = max(due, s.waived.Reached(k.holdS()))
	}
	if now < due {
		word.Until = min(word.Until, due)
		return word
	}
	return k.proven(func() string {
		return sprintf("Not asked for: every shell channel is below %.0f °C, and the owner waives it there.", waive)
	})
}
