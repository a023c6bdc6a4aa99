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
	// Until is the first moment at which time alone could make it another;
	// [track.Never] if only a sample or a word can.
	Until track.Instant
	// Say puts it in a sentence. It is a function because a verdict is formed far
	// more often than it is read.
	Say func() string
}

// Text returns the sentence.
func (f Finding) Text() string {
	if f.Say == nil {
		return "Not judged."
	}
	return f.Say()
}

func sprintf(format string, args ...any) string { return fmt.Sprintf(format, args...) }

func finding(v verdict.Verdict, until track.Instant, format string, args ...any) Finding {
	return Finding{v, until, func() string { return fmt.Sprintf(format, args...) }}
}

func cannotTell(format string, args ...any) Finding {
	return finding(verdict.CannotTell, track.Never, format, args...)
}

func notYet(until track.Instant, format string, args ...any) Finding {
	return finding(verdict.NotYet, until, format, args...)
}

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
	return string(id)
}

// missing returns the finding for a channel that gives no fresh good value, and
// false where it gives one.
func (k *Known) missing(t *track.Track, now track.Instant) (Finding, bool) {
	if _, ok := t.Fresh(now); ok {
		return Finding{}, false
	}
	name := Name(t.ID())
	if !k.measured(t) {
		return cannotTell("%s is not measured on this engine.", name), true
	}
	fault, faulty := t.Fault()
	good, _, any := t.Good()
	switch {
	case !any && faulty:
		return cannotTell("%s: %s.", name, fault), true
	case !any:
		return cannotTell("%s: nothing heard yet.", name), true
	case faulty:
		return finding(verdict.CannotTell, track.Never, "%s: %s; last good reading %s ago, may be %s old.", name, fault, age(now.Sub(good)), age(t.FreshLimit())), true
	}
	return finding(verdict.CannotTell, track.Never, "%s: last good reading %s ago, may be %s old.", name, age(now.Sub(good)), age(t.FreshLimit())), true
}

// held turns a hold into a finding: what has been so for how long of how long.
// say is the statement without its full stop.
func held(h *track.Hold, t *track.Track, now track.Instant, need float64, say func() string) Finding {
	s, ok := h.Held(now)
	if !ok {
		return Finding{verdict.NotYet, t.StaleAt(), func() string { return say() + "." }}
	}
	since, _ := h.Since()
	if s < need {
		return Finding{verdict.NotYet, min(t.StaleAt(), since.Add(need)), func() string {
			return say() + ", for " + of(s, need) + "."
		}}
	}
	return Finding{verdict.Proven, t.StaleAt(), func() string { return say() + ", for " + of(s, need) + "." }}
}

// all joins findings of which each must hold: the worst verdict, the earliest
// moment, and the sentences of those that hold it up, or all if none does.
func all(fs ...Finding) Finding {
	out := Finding{Verdict: verdict.Proven, Until: track.Never}
	for _, f := range fs {
		out.Verdict = min(out.Verdict, f.Verdict)
		out.Until = min(out.Until, f.Until)
	}
	worst := out.Verdict
	out.Say = func() string {
		var parts []string
		for _, f := range fs {
			if f.Verdict == worst {
				parts = append(parts, f.Text())
			}
		}
		return strings.Join(parts, " ")
	}
	return out
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

// fell reports whether each third of a window lies below the one before it; slack
// is what is put down to noise, in the channel's unit.
func fell(m [3]float64, slack float64) bool {
	return m[1] < m[0]+slack && m[2] < m[1]+slack
}

// falling asks that the channel has fallen all through the last window seconds.
// What cools slowly falls by less than its noise in five minutes: there it is
// enough that it has fallen all through the last half hour and not risen in the
// window. Near the air's temperature, where nothing falls any more, it asks that
// it has not risen.
func (k *Known) falling(t *track.Track, now track.Instant, window float64) Finding {
	name := Name(t.ID())
	m, ok := t.Thirds(window)
	if !ok {
		at, _, _ := t.Good()
		return notYet(t.StaleAt(), "%s watched for %s, to see whether it falls.", name, of(math.Max(0, at.Sub(t.Since())), window))
	}
	slack := 0.0
	if m[2] < restingC {
		slack = noiseK
	}
	if fell(m, slack) {
		return finding(verdict.Proven, t.StaleAt(), "%s has fallen from %.0f to %.0f °C in %.0f min.", name, m[0], m[2], window/60)
	}
	if long, ok := t.Thirds(BoxFallS); ok && window < BoxFallS && fell(long, slack) && fell(m, noiseK) {
		return finding(verdict.Proven, t.StaleAt(), "%s has fallen from %.0f to %.0f °C in %.0f min.", name, long[0], long[2], BoxFallS/60.0)
	}
	return notYet(t.StaleAt(), "%s is not falling: %.0f, %.0f, %.0f °C over the last %.0f min.", name, m[0], m[1], m[2], window/60)
}

// Below restingC a box is near the air's own temperature and may follow it up and
// down. noiseK is what a mean of some minutes may stray; common practice, no source.
const (
	restingC = 50
	noiseK   = 2
)

// word is the finding of a confirmation.
func (k *Known) word(id string) Finding {
	d, ok := k.Said.Declared(id)
	if !ok {
		return cannotTell("%q is no confirmation of this engine.", id)
	}
	if g, ok := k.Said.Get(id); ok {
		return Finding{verdict.Proven, k.Said.Until(id), func() string {
			return fmt.Sprintf("%s, said by %s at %s.", d.Title, someone(g.By), k.clock(g.At))
		}}
	}
	if l, ok := k.Said.Last(id); ok {
		return notYet(track.Never, "%s: said by %s at %s, but %s at %s.", d.Title, someone(l.By), k.clock(l.At), l.Cause, k.clock(l.When))
	}
	return notYet(track.Never, "%s: nobody has said so.", d.Title)
}

func someone(by string) string {
	if by == "" {
		return "somebody"
	}
	return by
}

func (k *Known) holdS() float64 { return k.limit(limit.Hold) }
