package evidence

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

// Finding is what one evidence comes to at one moment.
type Finding struct {
	Verdict verdict.Verdict
	// Until is the first moment at which time alone could make it another, the
	// ageing of samples aside ([Known.StaleNext]); [track.Never] if only a sample or
	// a word can.
	Until track.Instant
	// text puts it in a sentence, where one was asked for.
	text string
}

func sprintf(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// finding forms a finding. A verdict is formed far more often than it is read:
// say is called only where the sentence is asked for.
func (k *Known) finding(v verdict.Verdict, until track.Instant, say func() string) Finding {
	f := Finding{Verdict: v, Until: until}
	if k.aloud {
		f.text = say()
	}
	return f
}

func (k *Known) cannotTell(say func() string) Finding {
	return k.finding(verdict.CannotTell, track.Never, say)
}

func (k *Known) notYet(say func() string) Finding {
	return k.finding(verdict.NotYet, track.Never, say)
}

func (k *Known) proven(say func() string) Finding {
	return k.finding(verdict.Proven, track.Never, say)
}

// and joins two findings of which each must hold: the worse verdict, the earlier
// moment, and the sentence of the one that holds it up, or both if none does.
func (f Finding) and(g Finding) Finding {
	f.Until = min(f.Until, g.Until)
	switch {
	case g.Verdict < f.Verdict, f.text == "" && f.Verdict == g.Verdict:
		f.Verdict, f.text = g.Verdict, g.text
	case g.Verdict == f.Verdict && g.text != "":
		f.text += " " + g.text
	}
	return f
}

// nothing is the finding to begin with where each of several must hold.
var nothing = Finding{Verdict: verdict.Proven, Until: track.Never}

// Name returns what a channel is called in a sentence.
func Name(id telemetry.Channel) string {
	switch id {
	case telemetry.BoilerPressure:
		return "Pressure"
	case telemetry.ShellTop:
		return "Shell, top"
	case telemetry.ShellBottom:
		return "Shell, bottom"
	case telemetry.BoilerLevel:
		return "Water level"
	case telemetry.BoilerHumidity:
		return "Air in the barrel"
	case telemetry.Firebox:
		return "Firebox"
	case telemetry.Smokebox:
		return "Smokebox"
	case telemetry.BlowdownPipe:
		return "Blow-down pipe"
	case telemetry.TankLeft:
		return "Left tank"
	case telemetry.TankRight:
		return "Right tank"
	case telemetry.AmbientTemp:
		return "Air in the shed"
	case telemetry.AmbientHumidity:
		return "Humidity in the shed"
	case telemetry.AmbientPressure:
		return "Barometer"
	case telemetry.AmbientCO:
		return "Carbon monoxide in the shed"
	}
	if node, ok := strings.CutPrefix(string(id), telemetry.BatteryPrefix); ok {
		return "Battery of " + node
	}
	return string(id)
}

// missing returns the finding for a channel that gives no fresh good value, or
// one that cannot be, and false where it gives one.
func (k *Known) missing(t *sensor, now track.Instant) (Finding, bool) {
	name := Name(t.ID())
	if v, ok := t.Fresh(now); ok {
		if k.possible(t, v, now) {
			return Finding{}, false
		}
		return k.cannotTell(func() string {
			return sprintf("%s reads %.3g, which cannot be: look at the sensor and its scale.", name, v)
		}), true
	}
	if !t.measured() {
		return k.cannotTell(func() string { return name + " is not measured on this engine." }), true
	}
	return k.cannotTell(func() string {
		fault, faulty := t.Fault()
		good, _, any := t.Good()
		switch {
		case !any && faulty:
			return sprintf("%s: %s.", name, fault)
		case !any:
			return sprintf("%s: nothing heard yet.", name)
		case faulty:
			return sprintf("%s: %s; last good reading %s ago, may be %s old.", name, fault, age(now.Sub(good)), age(t.FreshLimit()))
		}
		return sprintf("%s: last good reading %s ago, may be %s old.", name, age(now.Sub(good)), age(t.FreshLimit()))
	}), true
}

// How far a reading may lie beyond what it measures, beside its uncertainty, and
// still be one: the drift of an instrument's zero. Common practice, no source.
const (
	beyondGlass = 0.10
	beyondTank  = 0.05
	beyondCO    = 10e-6
	// colderK is by how much a box that a fire was in can be colder than the air,
	// which is taken at mildAirC where a couple by the engine says that it is warmer.
	colderK  = 10
	mildAirC = 25
)

// possible reports whether a value can be what the channel measures. One that
// cannot is no evidence: a level transducer that fails low is no empty glass, and
// a couple that reads a winter's night is no cool firebox.
func (k *Known) possible(t *sensor, v float64, at track.Instant) bool {
	u := t.u(v)
	switch t {
	case k.level:
		return v+u >= -beyondGlass && v-u <= 1+beyondGlass
	case k.left, k.right:
		return v+u >= -beyondTank && v-u <= 1+beyondGlass
	case k.co:
		return v+u >= -beyondCO
	case k.humidity:
		return v+u >= 0
	case k.firebox, k.smokebox:
		return v+u >= math.Min(k.airTemperature(at), mildAirC)-colderK
	}
	return true
}

// held turns a hold into a finding: what has been so for how long of how long.
// say is the statement without its full stop.
func (k *Known) held(h *track.Hold, now track.Instant, need float64, say func() string) Finding {
	s, ok := h.Held(now)
	if !ok {
		return k.notYet(func() string { return say() + "." })
	}
	if due := h.Reached(need); now < due {
		return k.finding(verdict.NotYet, due, func() string { return say() + ", for " + of(s, need) + "." })
	}
	return k.proven(func() string { return say() + ", for " + of(s, need) + "." })
}

// of says how long something has held of the time it must: "2 min of 5", or
// "47 min" once it is long past that, and never more exactly than a person would.
func of(s, need float64) string {
	if s >= need+60 {
		return age(s)
	}
	if need < 120 {
		return fmt.Sprintf("%.0f s of %.0f", math.Floor(s), need)
	}
	if need >= 2*3600 {
		return fmt.Sprintf("%.0f h of %.0f", math.Floor(s/3600), need/3600)
	}
	return fmt.Sprintf("%.0f min of %.0f", math.Floor(s/60), need/60)
}

// age says a length of time as a person would.
func age(s float64) string {
	switch {
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	case s < 2*3600:
		return fmt.Sprintf("%.0f min", s/60)
	case s < 48*3600:
		return fmt.Sprintf("%.0f h", s/3600)
	}
	return fmt.Sprintf("%.0f days", s/86400)
}

func bar(pa float64) string {
	b := pa / 1e5
	if math.Abs(b) < 0.005 {
		b = 0 // no "-0.00"
	}
	return fmt.Sprintf("%.2f bar", b)
}

func (k *Known) clock(i track.Instant) string {
	zone := k.Engine.Zone
	if zone == nil {
		zone = time.UTC
	}
	return i.Time().In(zone).Format("15:04")
}

// fell reports whether each third of a window lies below the one before it by at
// least so much, in the channel's unit; below 0 it may have risen by as much.
func fell(m [3]float64, least float64) bool {
	return m[0]-m[1] >= least && m[1]-m[2] >= least
}

// falling asks that the channel has fallen all through the last window seconds:
// by more than the noise of its means, so that neither a frozen value nor a
// steady fire falls. What cools slowly falls by less than that in five minutes:
// there it is enough that it has fallen all through the last half hour, as what
// has no fire in it must. Where it is asked over five minutes, it must have fallen
// within the last third too: one step down in the middle of a window lowers each
// third, and a fire that burns on lower has made just that. Near the air's
// temperature, where nothing falls any more, it asks that it has not risen.
func (k *Known) falling(t *sensor, now track.Instant, window float64) Finding {
	name := Name(t.ID())
	m, ok := t.Thirds(window)
	if !ok {
		t.falls = false
		return k.notYet(func() string {
			at, _, _ := t.Good()
			return sprintf("%s watched for %s, to see whether it falls.", name, of(math.Max(0, at.Sub(t.Since())), window))
		})
	}
	least, slowest := shortFallK, k.slowestFall(m[2], now)
	if window >= BoxFallS {
		least = slowest
	}
	resting := m[2] < restingC || window < BoxFallS && m[2] < noFireC
	if resting {
		least, slowest = -noiseK, -noiseK
	}
	falls := fell(m, least)
	if window >= BoxFallS {
		falls = falls || t.falls && settles(m, least)
		t.falls = falls
	}
	if falls && (resting || window >= BoxFallS || fellLately(t, window, m, shortFallK/10, 0)) {
		return k.proven(func() string {
			return sprintf("%s has fallen from %.0f to %.0f °C in %.0f min.", name, m[0], m[2], window/60)
		})
	}
	if window < BoxFallS {
		long, ok := t.Thirds(BoxFallS)
		goesOn := t.fallsSlowly && settles(long, slowest) && fellLately(t, BoxFallS, long, math.Inf(-1), lateStillK)
		t.fallsSlowly = ok && (goesOn || fell(long, slowest) && (resting || fellLately(t, BoxFallS, long, slowest/3, 0)))
		if t.fallsSlowly {
			return k.proven(func() string {
				return sprintf("%s has fallen from %.0f to %.0f °C in %.0f min.", name, long[0], long[2], BoxFallS/60.0)
			})
		}
	}
	return k.notYet(func() string {
		return sprintf("%s is not falling: %.0f, %.0f, %.0f °C over the last %.0f min.", name, m[0], m[1], m[2], window/60)
	})
}

// settles reports whether the whole of a window shows a fall, each third at most
// [stillK] over the one before: enough for what was found falling to go on so. A
// third that falls a hair too little would else take the verdict away, and the next
// sample give it back.
func settles(m [3]float64, least float64) bool {
	return m[0]-m[2] >= least && m[1] >= m[2]-stillK && m[0] >= m[1]-stillK
}

// fellLately reports whether the channel has fallen within the last third of a
// window too, by at least so much and by its share of the whole but for some slack.
func fellLately(t *sensor, window float64, whole [3]float64, least, slack float64) bool {
	m, ok := t.Thirds(window / 3)
	return ok && m[0]-m[2] >= math.Max(least, lateShare*(whole[0]-whole[2])-slack)
}

// slowestFall returns by how many kelvin a box without a fire in it falls at least
// in a third of half an hour: its excess over the air dies away with a time
// constant no longer than [longestTau] (Newton's law of cooling).
func (k *Known) slowestFall(tC float64, now track.Instant) float64 {
	return math.Max(0.05, (tC-k.airTemperature(now))*BoxFallS/3/longestTau)
}

// stillK is by how much the mean of the last third may lie over that of the one before
// in a box that was found falling, K: the noise of means over ten minutes. lateStillK is
// the same for the difference of means over three (both common practice, no source).
const (
	stillK     = 0.2
	lateStillK = 0.8
)

// Below restingC a box is near the air's own temperature and may follow it up and
// down. noiseK is what a mean of some minutes may stray; shortFallK is a fall in a
// third of five minutes that is more than noise; longestTau in seconds is three
// days. All common practice, no source.
const (
	restingC = 50
	// noFireC is where no fire holds a firebox for minutes: to be without one it need only
	// not rise (common practice, no source).
	noFireC    = 110
	noiseK     = 2.0
	shortFallK = 0.5
	// lateShare is the part of a fall that comes within the last third of its window
	// at least, where it dies away with a time constant no shorter than that third.
	lateShare  = 0.02
	longestTau = 72 * 3600
)

// word is the finding of a confirmation.
func (k *Known) word(id string) Finding {
	if g, ok := k.Said.Get(id); ok {
		return k.finding(verdict.Proven, k.Said.Until(id), func() string {
			d, _ := k.Said.Declared(id)
			return sprintf("%s, said by %s at %s.", d.Title, someone(g.By), k.clock(g.At))
		})
	}
	d, ok := k.Said.Declared(id)
	if !ok {
		return k.cannotTell(func() string { return sprintf("%q is no confirmation of this engine.", id) })
	}
	return k.notYet(func() string {
		if l, ok := k.Said.Last(id); ok {
			return sprintf("%s: said by %s at %s, but %s at %s.", d.Title, someone(l.By), k.clock(l.At), l.Cause, k.clock(l.When))
		}
		return d.Title + ": nobody has said so."
	})
}

func someone(by string) string {
	if by == "" {
		return "somebody"
	}
	return by
}

func (k *Known) holdS() float64 { return k.limit(limit.Hold) }
