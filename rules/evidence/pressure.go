package evidence

import (
	"math"

	"ashlamp/rules/limit"
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
func (k *Known) ZeroBand() float64 {
	return k.zeroBand(k.u(telemetry.BoilerPressure, 0))
}

func (k *Known) insideZero(id telemetry.Channel, v float64) bool {
	at, _, _ := k.tracks[id].Good()
	p, u := k.gauge(id, v, at)
	return math.Abs(p) <= k.zeroBand(u)
}

func pressureZero(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	band := k.zeroBand(u)
	if math.IsNaN(band) {
		return cannotTell("The transducer is good to ±%s only; one coarser than ±%s proves nothing about zero.", bar(u), bar(ZeroBandCap))
	}
	believed := k.believable(now, p)
	reading := func() string {
		switch {
		case p < -band:
			return sprintf("Pressure reads %s, under the air outside: a vacuum is not zero, open the vent", bar(p))
		case p > band:
			return sprintf("Pressure reads %s; zero is inside ±%s", bar(p), bar(band))
		}
		return sprintf("Pressure reads %s, inside the gauge's own ±%s", bar(p), bar(band))
	}
	zero := held(k.holds["pressure-zero"], k.pressure, now, k.limit(limit.ZeroHold), reading)
	out := all(zero, believed)
	if out.Verdict == verdict.Proven || zero.Verdict != verdict.Proven && believed.Verdict == verdict.NotYet {
		// Both sentences are worth reading: the figure, and why it is believed.
		return Finding{out.Verdict, out.Until, func() string { return zero.Text() + " " + believed.Text() }}
	}
	return out
}

// believable judges whether a reading near zero may be believed: by a second
// pressure channel, by a person who tried a gauge, or by what the transducer
// showed beside the shell under steam.
func (k *Known) believable(now track.Instant, p float64) Finding {
	if len(k.second) > 0 {
		return k.secondAgrees(now)
	}
	shell, us, warm := k.hottestShell(now)
	air, why, known := k.airPressure(now)
	if !known {
		return cannotTell("%s.", upper(why))
	}
	ts, err := steam.SaturationTemperature(math.Max(air+p, steam.TriplePressure))
	boiling, _, _ := k.Boiling(now)
	if warm && err == nil && p < FromBlowing && !k.emptying() {
		if slack := us + contactK(shell, k.airTemperature(now)) + contradictK; shell-slack > math.Max(ts, boiling) {
			held, _ := steam.SaturationPressure(shell)
			return finding(verdict.CannotTell, k.shellStale(), "The shell is at %.0f °C: over water that is %s, and the boiler was not seen to empty. Look at the gauge and its cock.", shell, bar(held-air))
		}
	}
	if k.Follow.Seen() {
		return finding(verdict.Proven, track.Never, "Under steam it followed the shell along the saturation line.")
	}
	if g, ok := k.Said.Get("gauge-tried"); ok {
		return Finding{verdict.Proven, k.Said.Until("gauge-tried"), func() string {
			return sprintf("%s tried a gauge at %s.", someone(g.By), k.clock(g.At))
		}}
	}
	if byK, void := k.Follow.Void(); void {
		return cannotTell("Pressure and shell disagree by %.0f K along the saturation line: one of them is wrong. Try a test gauge or a try cock.", byK)
	}
	if !warm {
		return cannotTell("It was not seen to follow the shell under steam, and no shell temperature is heard. Try a test gauge or a try cock.")
	}
	if shell-us > boiling {
		return notYet(k.shellStale(), "It has not yet been seen to follow the shell down the saturation line.")
	}
	return finding(verdict.CannotTell, k.shellStale(), "It was never seen to follow the shell under steam. Try a test gauge or a try cock.")
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
func contactK(tC, airC float64) float64 { return 0.02 * math.Max(0, tC-airC) }

func (k *Known) shellStale() track.Instant {
	until := track.Never
	for _, t := range k.shells {
		until = min(until, t.StaleAt())
	}
	return until
}

func (k *Known) secondAgrees(now track.Instant) Finding {
	var fs []Finding
	for i, t := range k.second {
		if f, missing := k.missing(t, now); missing {
			fs = append(fs, f)
			continue
		}
		v, _ := t.Fresh(now)
		p, u := k.gauge(t.ID(), v, now)
		band := k.zeroBand(u)
		if math.IsNaN(band) {
			fs = append(fs, cannotTell("%s is good to ±%s only and proves nothing about zero.", t.ID(), bar(u)))
			continue
		}
		fs = append(fs, held(k.secondH[i], t, now, k.limit(limit.ZeroHold), func() string {
			return sprintf("The second transducer reads %s of ±%s", bar(p), bar(band))
		}))
	}
	return all(fs...)
}

func (k *Known) pressureInside(name string, lo, hi limit.Key, now track.Instant) Finding {
	min, max := k.limit(lo)*1e5, k.limit(hi)*1e5
	if math.IsNaN(min) || math.IsNaN(max) {
		return cannotTell("The owner has not set %s and %s: nobody else can.", lo, hi)
	}
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	return held(k.holds[name], k.pressure, now, k.holdS(), func() string {
		return sprintf("Pressure reads %s ± %.2f, to be between %s and %s", bar(p), u/1e5, bar(min), bar(max))
	})
}

func pressureInRange(k *Known, now track.Instant) Finding {
	return k.pressureInside("pressure-in-range", limit.DropMin, limit.DropMax, now)
}

func pressureToBlowDown(k *Known, now track.Instant) Finding {
	return k.pressureInside("pressure-to-blow-down", limit.BlowDownMin, limit.BlowDownMax, now)
}

// slopeWindowS is the time over which the fall of pressure is measured.
const slopeWindowS = 300

func steamToMove(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	least := k.limit(limit.MoveMin) * 1e5
	enough := held(k.holds["steam-to-move"], k.pressure, now, k.holdS(), func() string {
		return sprintf("Pressure reads %s ± %.2f, at least %s to move", bar(p), u/1e5, bar(least))
	})
	m, ok := k.pressure.Thirds(slopeWindowS)
	if !ok {
		return all(enough, notYet(k.pressure.StaleAt(), "Its fall is being watched for %.0f min.", slopeWindowS/60.0))
	}
	minutes := k.limit(limit.MoveMinutes)
	perMinute := math.Min(0, (m[2]-m[0])/(2*slopeWindowS/3)*60)
	then := p - u + perMinute*minutes
	if !(then >= least) {
		return all(enough, notYet(k.pressure.StaleAt(), "At its present fall it is %s in %.0f min, under the %s to move.", bar(then+u), minutes, bar(least)))
	}
	return all(enough, finding(verdict.Proven, k.pressure.StaleAt(), "At its present fall it is still %s in %.0f min.", bar(then+u), minutes))
}

func pressureFalling(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.pressure, now); missing {
		return f
	}
	p, u, _ := k.Gauge(now)
	most := k.limit(limit.HousedMax) * 1e5
	below := held(k.holds["pressure-falling"], k.pressure, now, k.holdS(), func() string {
		return sprintf("Pressure reads %s ± %.2f, to be at most %s", bar(p), u/1e5, bar(most))
	})
	if math.Abs(p) <= k.zeroBand(u) {
		return below // nothing left to fall
	}
	m, ok := k.pressure.Thirds(1800)
	switch {
	case !ok:
		at, _, _ := k.pressure.Good()
		return all(below, notYet(k.pressure.StaleAt(), "Pressure watched for %s, to see whether it falls.", of(math.Max(0, at.Sub(k.pressure.Since())), 1800)))
	case !fell(m, 0):
		return all(below, notYet(k.pressure.StaleAt(), "Pressure did not fall in each of the last three 10 min: %s, %s, %s.", bar(m[0]), bar(m[1]), bar(m[2])))
	}
	return all(below, finding(verdict.Proven, k.pressure.StaleAt(), "Pressure fell in each of the last three 10 min."))
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
