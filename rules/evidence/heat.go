package evidence

import (
	"math"

	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// FireFallS and BoxFallS are how long firebox and smokebox must have fallen for
// "fire out" and for housing, in seconds (contract).
const (
	FireFallS = 300
	BoxFallS  = 1800
	// FireboxBelowShellK is by how much a firebox may be read below its shell, beside the
	// uncertainties of both. The contract allows 20 K; a firebox that a draught cools came
	// to 16 K in simulated nights. Where little heat is left there is less to differ by:
	// FireboxBelowShare of the shell's excess over the air, CoolBelowShellK at least. That
	// finds a couple that lies in the air beside an engine nearly cold.
	FireboxBelowShellK = 15
	FireboxBelowShare  = 0.25
	CoolBelowShellK    = 5
	// BelowShellK is by how much it is read colder than the shell, more than two couples'
	// scatter, before its fall is looked at.
	BelowShellK = 3
	// FireboxRateK is by how much in an hour a firebox that is colder than the shell about
	// it may fall faster than that: for the draught (common practice, no source).
	FireboxRateK = 6
)

func fireOut(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.firebox, now); missing {
		return f
	}
	if f, wrong := k.fireboxTooCold(now); wrong {
		return f
	}
	if at, relit := k.Fire.Relit(); relit {
		return k.notYet(func() string {
			v, _ := k.firebox.Fresh(now)
			return sprintf("The firebox has risen again since %s, now %.0f °C: there is fire in it.", k.clock(at), v)
		})
	}
	return k.below(k.holds.fireOut, k.firebox, k.limit(limit.FireOut), now).
		and(k.falling(k.firebox, now, FireFallS)).and(k.word("fire-dropped"))
}

// fireboxTooCold finds a firebox that reads colder than its own shell allows: a
// couple that has come off.
func (k *Known) fireboxTooCold(now track.Instant) (Finding, bool) {
	shell, us, ok := k.hottestShell(now)
	v, fresh := k.firebox.Fresh(now)
	below := math.Min(FireboxBelowShellK, math.Max(CoolBelowShellK, FireboxBelowShare*(shell-k.airTemperature(now))))
	if !ok || !fresh || v+k.firebox.u(v) >= shell-us-below {
		return Finding{}, false
	}
	return k.cannotTell(func() string {
		return sprintf("Firebox reads %.0f °C, more than %.0f K under the shell at %.0f: has the couple come off?", v, below, shell)
	}), true
}

// fireboxTooQuick finds a firebox that is read colder than the shell about it and goes
// on falling, where nothing is left to cool it: a couple whose reading drifts away.
func (k *Known) fireboxTooQuick(now track.Instant) (Finding, bool) {
	shell, _, ok := k.hottestShell(now)
	v, fresh := k.firebox.Fresh(now)
	m, watched := k.firebox.Thirds(BoxFallS)
	below, most := float64(BelowShellK), FireboxRateK+k.shellFall(now)
	if k.firebox.quick {
		below, most = below-quickClearK, most-rateClearK
	}
	perHour := (m[0] - m[2]) / (BoxFallS * 2 / 3.0) * 3600
	k.firebox.quick = ok && fresh && watched && v < shell-below && perHour > most
	if !k.firebox.quick {
		return Finding{}, false
	}
	return k.cannotTell(func() string {
		return sprintf("Firebox reads %.0f °C beside a shell at %.0f and still falls by %.0f K/h: nothing there cools it so. Look at its couple.", v, shell, perHour)
	}), true
}

// A fall that was too quick must come down by rateClearK, in K/h, before it no longer is,
// or its reading up by quickClearK (common practice, no source).
const (
	rateClearK  = 3.0
	quickClearK = 1.5
)

// shellFall returns how fast the quickest shell channel falls, in K/h; 0 where it
// does not.
func (k *Known) shellFall(now track.Instant) float64 {
	fastest := 0.0
	for _, s := range k.shells {
		if _, fresh := s.Fresh(now); !fresh {
			continue
		}
		if m, ok := s.Thirds(BoxFallS); ok {
			fastest = math.Max(fastest, (m[0]-m[2])/(BoxFallS*2/3.0)*3600)
		}
	}
	return fastest
}

// smokeboxTooCold finds a smokebox that reads colder than the shell while its
// door is shut: the tubes heat it.
func (k *Known) smokeboxTooCold(now track.Instant) (Finding, bool) {
	if _, open := k.Said.Get("smokebox-ajar"); open {
		return Finding{}, false
	}
	v, fresh := k.smokebox.Fresh(now)
	coolest, us, ok := math.Inf(1), 0.0, false
	for _, s := range k.shells {
		if shell, heard := s.Fresh(now); heard && shell < coolest {
			coolest, us, ok = shell, s.u(shell), true
		}
	}
	slack := us + k.smokebox.u(v) + contactK(v, k.airTemperature(now))
	if !ok || !fresh || v+slack >= coolest {
		return Finding{}, false
	}
	return k.cannotTell(func() string {
		return sprintf("Smokebox reads %.0f °C, under the shell at %.0f, with its door not said to be open: has the couple come off?", v, coolest)
	}), true
}

// below asks that a box has been below a limit, with its uncertainty, for the
// hold time.
func (k *Known) below(h *track.Hold, t *sensor, most float64, now track.Instant) Finding {
	return k.held(h, now, k.holdS(), func() string {
		v, _ := t.Fresh(now)
		return sprintf("%s reads %.0f °C ± %.1f, to be under %.0f", Name(t.ID()), v, t.u(v), most)
	})
}

func (k *Known) fireboxToHouse() float64 {
	if k.LayUp == telemetry.Dry {
		return k.limit(limit.HouseFirebox)
	}
	return k.limit(limit.RestFirebox)
}

func (k *Known) smokeboxToHouse() float64 {
	if k.LayUp == telemetry.Dry {
		return k.limit(limit.HouseSmokebox)
	}
	return k.limit(limit.RestSmokebox)
}

// inFirebox asks that the firebox has been below a limit.
func (k *Known) inFirebox(h *track.Hold, most float64, now track.Instant) Finding {
	if f, missing := k.missing(k.firebox, now); missing {
		return f
	}
	if f, wrong := k.fireboxTooCold(now); wrong {
		return f
	}
	return k.below(h, k.firebox, most, now)
}

// inSmokebox asks that the smokebox has been below a limit.
func (k *Known) inSmokebox(h *track.Hold, most float64, now track.Instant) Finding {
	if f, missing := k.missing(k.smokebox, now); missing {
		return f
	}
	if f, wrong := k.smokeboxTooCold(now); wrong {
		return f
	}
	return k.below(h, k.smokebox, most, now)
}

func fireboxCool(k *Known, now track.Instant) Finding {
	f := k.inFirebox(k.holds.fireboxCool, k.fireboxToHouse(), now)
	if f.Verdict == verdict.CannotTell {
		return f
	}
	if wrong, ok := k.fireboxTooQuick(now); ok {
		return wrong
	}
	return f.and(k.falling(k.firebox, now, BoxFallS))
}

func smokeboxCool(k *Known, now track.Instant) Finding {
	f := k.inSmokebox(k.holds.smokeboxCool, k.smokeboxToHouse(), now)
	if f.Verdict == verdict.CannotTell {
		return f
	}
	return f.and(k.falling(k.smokebox, now, BoxFallS))
}

func smokeboxCoolToOpen(k *Known, now track.Instant) Finding {
	return k.inSmokebox(k.holds.smokeboxOpen, k.limit(limit.OpenSmokebox), now)
}

func fireboxTouchable(k *Known, now track.Instant) Finding {
	return k.inFirebox(k.holds.fireboxTouch, k.limit(limit.Touch), now)
}

func smokeboxTouchable(k *Known, now track.Instant) Finding {
	return k.inSmokebox(k.holds.smokeboxTouch, k.limit(limit.Touch), now)
}
