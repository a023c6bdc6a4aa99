package evidence

import (
	"math"

	"ashlamp/rules/limit"
	"ashlamp/rules/saturation"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// ZeroBandCap is the widest zero band in pascal, and so the coarsest transducer
// that can prove anything (contract).
const ZeroBandCap = 10000

// zeroBand returns the band in pascal inside which a reading counts as zero, for
// an instrument of expanded uncertainty u. It is the instrument's own
// uncertainty; an owner's wider band counts only less that uncertainty. NaN means
// that the instrument can prove nothing.
func (k *Known) zeroBand(u float64) float64 {
	set := k.limit(limit.ZeroBand) * 1e5
	switch {
	case !(u > 0 && u <= ZeroBandCap):
		return math.NaN()
	case math.IsNaN(set):
		return u
	case set < u || set > ZeroBandCap:
		return math.NaN()
	}
	return math.Max(u, set-u)
}

// ZeroBand returns the transducer's zero band in pascal; NaN where it proves nothing.
func (k *Known) ZeroBand() float64 { return k.zeroBand(k.pressure.u(0)) }

func (k *Known) insideZero(s *sensor, v float64, at track.Instant) bool {
	p, u := k.gauge(s, v, at)
	return math.Abs(p) <= k.zeroBand(u)
}

func pressureZero(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	band := k.zeroBand(u)
	if math.IsNaN(band) {
		return k.cannotTell(func() string {
			return sprintf("The transducer is good to ±%s only; one coarser than ±%s proves nothing about zero.", bar(u), bar(ZeroBandCap))
		})
	}
	believed := k.believable(now, p)
	zero := k.held(k.holds.zero, now, k.limit(limit.ZeroHold), func() string {
		switch {
		case p < -band:
			return sprintf("Pressure reads %s, under the air outside: a vacuum is not zero, open the vent", bar(p))
		case p > band:
			return sprintf("Pressure reads %s; zero is inside ±%s", bar(p), bar(band))
		}
		return sprintf("Pressure reads %s, inside the gauge's own ±%s", bar(p), bar(band))
	})
	out := zero.and(believed)
	if k.aloud && (out.Verdict == verdict.Proven || zero.Verdict != verdict.Proven && believed.Verdict == verdict.NotYet) {
		// Both sentences are worth reading: the figure, and why it is believed.
		out.text = zero.text + " " + believed.text
	}
	return out
}

// believable judges whether a reading near zero may be believed: by what the
// transducer showed beside the shell under steam, by a second pressure channel, or
// by a person who tried a gauge. A second channel that reads otherwise, and a shell
// too hot for what the transducer reads, outweigh all three.
func (k *Known) believable(now track.Instant, p float64) Finding {
	beside := k.besideSecond(now)
	if beside.Verdict == verdict.NotYet {
		return beside
	}
	shell, us, warm := k.hottestShell(now)
	air, why, known := k.airPressure(now)
	if !known {
		return k.cannotTell(func() string { return upper(why) + "." })
	}
	ts, err := steam.SaturationTemperature(math.Max(air+p, steam.TriplePressure))
	boiling, _, _ := k.Boiling(now)
	if shell, us, warm := k.shellMayBe(now); warm && err == nil && p < FromBlowing && !k.emptied() {
		if slack := us + contactK(shell, k.airTemperature(now)) + contradictK; !(shell-slack <= math.Max(ts, boiling)) {
			return k.cannotTell(func() string {
				held, _ := steam.SaturationPressure(shell)
				return sprintf("The shell is at %.0f °C: over water that is %s, and the boiler was not seen to empty. Look at the gauge and its cock.", shell, bar(held-air))
			})
		}
	}
	if len(k.second) > 0 && beside.Verdict == verdict.Proven {
		return beside
	}
	if k.Follow.Seen() {
		return k.proven(func() string { return "Under steam it followed the shell along the saturation line." })
	}
	if g, ok := k.Said.Get("gauge-tried"); ok {
		return k.finding(verdict.Proven, k.Said.Until("gauge-tried"), func() string {
			return sprintf("%s tried a gauge at %s.", someone(g.By), k.clock(g.At))
		})
	}
	switch byK, void := k.Follow.Void(); {
	case len(k.second) > 0:
		return beside
	case void:
		return k.cannotTell(func() string {
			return sprintf("Pressure and shell disagree by %.0f K along the saturation line: one of them is wrong. Try a test gauge or a try cock.", byK)
		})
	case !warm:
		return k.cannotTell(func() string {
			return "It was not seen to follow the shell under steam, and no shell temperature is heard. Try a test gauge or a try cock."
		})
	case shell-us > boiling:
		return k.notYet(func() string { return "It has not yet been seen to follow the shell down the saturation line." })
	}
	return k.cannotTell(func() string {
		return "It was never seen to follow the shell under steam. Try a test gauge or a try cock."
	})
}

const (
	// FromBlowing is the gauge pressure in pascal under which a hot shell is asked
	// to be explained; common practice, no source.
	FromBlowing = 50000
	// contradictK is by how much a shell must be too hot to contradict the
	// transducer; common practice, no source.
	contradictK = 5
)

// contactK is the contact error allowed for a couple on a shell, in kelvin: 2 %
// of its excess over the air (common practice, no source).
func contactK(tC, airC float64) float64 { return contactShare * math.Max(0, tC-airC) }

const contactShare = 0.02

// shellClearK is by how many kelvin a shell that contradicted the pressure must come back
// before it no longer does: some steps of a converter of 1/16 K with its noise (common
// practice, no source).
const shellClearK = 0.6

// besideSecond is what the further pressure channels say of zero: not yet where one
// reads otherwise, proven where all read zero, cannot-tell where one is not heard or
// too coarse.
func (k *Known) besideSecond(now track.Instant) Finding {
	out := nothing
	contrary := nothing
	for _, s := range k.second {
		if f, missing := k.missing(s.sensor, now); missing {
			out = out.and(f)
			continue
		}
		v, _ := s.Fresh(now)
		p, u := k.gauge(s.sensor, v, now)
		band := k.zeroBand(u)
		if math.IsNaN(band) && math.Abs(p) <= u {
			out = out.and(k.cannotTell(func() string {
				return sprintf("%s is good to ±%s only and proves nothing about zero.", s.ID(), bar(u))
			}))
			continue
		}
		if math.IsNaN(band) {
			band = u
		}
		f := k.held(s.zero, now, k.limit(limit.ZeroHold), func() string {
			return sprintf("The second transducer reads %s of ±%s", bar(p), bar(band))
		})
		out = out.and(f)
		if f.Verdict == verdict.NotYet {
			contrary = contrary.and(f)
		}
	}
	if contrary.Verdict == verdict.NotYet {
		return contrary
	}
	return out
}

func (k *Known) pressureInside(h *track.Hold, lo, hi limit.Key, now track.Instant) Finding {
	min, max := k.limit(lo)*1e5, k.limit(hi)*1e5
	if math.IsNaN(min) || math.IsNaN(max) {
		return k.cannotTell(func() string { return sprintf("The owner has not set %s and %s: nobody else can.", lo, hi) })
	}
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	return k.held(h, now, k.holdS(), func() string {
		p, u, _ := k.Gauge(now)
		return sprintf("Pressure reads %s ± %.2f, to be between %s and %s", bar(p), u/1e5, bar(min), bar(max))
	}).and(k.shellBears(min, max, now))
}

// shellBears asks that the shell, where it is heard, stands on the right side of what water under a limit boils at (gauge, Pa).
// It is the only other witness of a pressure that is not zero. By the reading itself:
// its uncertainty and contact error are what it may be wrong by.
func (k *Known) shellBears(least, most float64, now track.Instant) Finding {
	shell, _, ok := k.hottestShell(now)
	if !ok {
		// Couples that are all doubted may still be right, and contradict.
		shell, _, ok = k.shellMayBe(now)
	}
	air, _, believed := k.airPressure(now)
	if p, _, heard := k.Gauge(now); !ok || !heard || p < least || p > most {
		return nothing // the pressure itself says enough
	}
	if !believed {
		air = k.standard
	}
	low, errLow := steam.SaturationTemperature(least + air)
	high, errHigh := steam.SaturationTemperature(most + air)
	// Steel that is dry follows no line, and is hotter than steam would make it.
	_, began := k.Run.Began()
	// What contradicted goes on doing so until it clearly no longer does: a reading that
	// hovers about the bound would else give the verdict and take it away with its noise.
	key, clear := [2]float64{least, most}, 0.0
	if k.bore[key] {
		clear = shellClearK
	}
	contrary := errLow == nil && shell < low-k.airMayBe(least, air)+clear || !began && errHigh == nil && shell > high+k.airMayBe(most, air)-clear
	k.bore[key] = contrary
	if contrary {
		v := verdict.NotYet
		if k.partsFromShell(shell, air, now) {
			v = verdict.CannotTell
		}
		return k.finding(v, track.Never, func() string {
			held, _ := steam.SaturationPressure(shell)
			return sprintf("The shell is at %.0f °C, as over water under %s. Look at the gauge.", shell, bar(held-air))
		})
	}
	return nothing
}

// airMayBe is by how many kelvin the boiling point under a gauge pressure may be out
// where nothing measures the air.
func (k *Known) airMayBe(gauge, air float64) float64 {
	if k.barometer.Heard() {
		return 0
	}
	a, errA := steam.SaturationTemperature(gauge + air)
	b, errB := steam.SaturationTemperature(gauge + air + WithoutBarometer + StationSpan)
	if errA != nil || errB != nil {
		return 0
	}
	return b - a
}

// partsFromShell reports whether transducer and shell differ by more than both may be
// wrong.
func (k *Known) partsFromShell(shell, air float64, now track.Instant) bool {
	p, u, ok := k.Gauge(now)
	if !ok {
		return true
	}
	pair := saturation.Pair{At: now, Gauge: p, UPressure: u, Ambient: air, Shell: shell, UShell: k.Engine.Channel(telemetry.ShellTop).U(shell), Air: k.airTemperature(now)}
	ts, tol, err := pair.Tolerance()
	return err != nil || math.Abs(shell-ts) > tol
}

func pressureInRange(k *Known, now track.Instant) Finding {
	return k.pressureInside(k.holds.inRange, limit.DropMin, limit.DropMax, now)
}

func pressureToBlowDown(k *Known, now track.Instant) Finding {
	f := k.pressureInside(k.holds.toBlowDown, limit.BlowDownMin, limit.BlowDownMax, now)
	if at, out := k.ranOut(); out && f.Verdict != verdict.CannotTell {
		return k.notYet(func() string {
			return sprintf("The boiler has run out since %s, and the glass shows nothing: there is nothing left to blow down.", k.clock(at))
		})
	}
	return f
}

// slopeWindowS is the time over which the fall of pressure is measured.
const slopeWindowS = 300

func steamToMove(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	if at, out := k.ranOut(); out {
		return k.notYet(func() string {
			return sprintf("The boiler has run out since %s, and the glass shows nothing: there is nothing to move on.", k.clock(at))
		})
	}
	p, u, _ := k.Gauge(now)
	least := k.limit(limit.MoveMin) * 1e5
	enough := k.held(k.holds.toMove, now, k.holdS(), func() string {
		return sprintf("Pressure reads %s ± %.2f, at least %s to move", bar(p), u/1e5, bar(least))
	})
	enough = enough.and(k.shellBears(least, math.Inf(1), now))
	m, ok := k.pressure.Thirds(slopeWindowS)
	if !ok {
		return enough.and(k.notYet(func() string { return sprintf("Its fall is being watched for %.0f min.", slopeWindowS/60.0) }))
	}
	minutes := k.limit(limit.MoveMinutes)
	perMinute := math.Min(0, (m[2]-m[0])/(2*slopeWindowS/3)*60)
	// The steeper of two: a fall that stopped a moment ago may be a transducer's that did.
	if m, ok := k.pressure.Thirds(2 * slopeWindowS); ok {
		perMinute = math.Min(perMinute, (m[2]-m[0])/(4*slopeWindowS/3)*60)
	}
	then := p - u + perMinute*minutes
	if !(then >= least) {
		return enough.and(k.notYet(func() string {
			return sprintf("At its present fall it is %s in %.0f min, under the %s to move.", bar(then+u), minutes, bar(least))
		}))
	}
	return enough.and(k.proven(func() string {
		return sprintf("At its present fall it is still %s in %.0f min.", bar(then+u), minutes)
	}))
}

const (
	// PressureFallS is over what time pressure must have fallen in each third
	// (contract: three times 10 min).
	PressureFallS = 1800
	// PressureFallPa is by how much at least, in pascal: more than the noise of a
	// mean of 10 min, so that neither a frozen value nor a steady one falls (common
	// practice, no source).
	PressureFallPa = 300
)

func pressureFalling(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	below := k.held(k.holds.falling, now, k.holdS(), func() string {
		return sprintf("Pressure reads %s ± %.2f, to be at most %s", bar(p), u/1e5, bar(k.limit(limit.HousedMax)*1e5))
	})
	if math.Abs(p) <= k.zeroBand(u) {
		return below // nothing left to fall
	}
	m, ok := k.pressure.Thirds(PressureFallS)
	switch {
	case !ok:
		return below.and(k.notYet(func() string {
			at, _, _ := k.pressure.Good()
			return sprintf("Pressure watched for %s, to see whether it falls.", of(math.Max(0, at.Sub(k.pressure.Since())), PressureFallS))
		}))
	case !fell(m, PressureFallPa):
		return below.and(k.notYet(func() string {
			return sprintf("Pressure did not fall in each of the last three 10 min: %s, %s, %s.", bar(m[0]), bar(m[1]), bar(m[2]))
		}))
	}
	return below.and(k.proven(func() string { return "Pressure fell in each of the last three 10 min." }))
}

func upper(s string) string {
	if s == "" {
		return s
	}
	if c := s[0]; c >= 'a' && c <= 'z' {
		return string(c-'a'+'A') + s[1:]
	}
	return s
}
