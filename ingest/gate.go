package ingest

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"
	"time"

	"ashlamp/hardware/calibration"
	"ashlamp/rules/telemetry"
)

// Kinds of trouble that the [Gate] and the doors count, beside those of the codecs.
const (
	UnknownEngine = "unknown-engine"
	WrongPlace    = "wrong-place"
	Absurd        = "absurd"
	ClockAhead    = "clock-ahead"
	NotFinite     = "not-finite"
	WrongTopic    = "wrong-topic"
	// Untimed is a message that a broker had kept and that says no time.
	Untimed = "untimed"
	// BadStatus is a node's status message that cannot be read.
	BadStatus = "bad-status"
	// PacketTooLarge is an MQTT packet beyond the broker's limit.
	PacketTooLarge = "packet-too-large"
	// BadWill is a client's last will on a topic where it has none to give.
	BadWill = "bad-will"
	// SlowClient is a client that was dropped since it did not read.
	SlowClient = "slow-client"
	// BadLogin is a wrong user or password.
	BadLogin = "bad-login"
	// NoBroker is a broker that cannot be reached or refuses.
	NoBroker = "no-broker"
	// NotStored is a message that was not acknowledged since its commit failed.
	NotStored = "not-stored"
	// SameTimeOtherValue is a sample whose channel and time are those of another.
	SameTimeOtherValue = "same-time-other-value"
)

// DefaultSkew is how far a sample's time may lie ahead of the daemon's clock.
// Common practice, no source.
const DefaultSkew = 5 * time.Second

// Gate judges samples before they go towards the store: what is admitted, what is
// made bad, what is refused. It counts each trouble and logs it once per kind and
// minute with the topic. It is safe for use by several goroutines.
type Gate struct {
	engines  map[string]bool
	lines    map[Place]calibration.Line
	skew     time.Duration
	counters *Counters
	log      *slog.Logger

	mu     sync.Mutex
	logged map[string]told
}

type told struct {
	at    time.Time
	since uint64 // troubles of the kind that were not logged since
}

// GateConfig is what a [Gate] needs.
type GateConfig struct {
	// Engines are the ids of the configured engines.
	Engines []string
	// Skew is how far a sample's time may lie ahead; 0 means [DefaultSkew].
	Skew     time.Duration
	Counters *Counters
	Log      *slog.Logger
	// Calibrations correct what nodes send, before it is stored; nil for none.
	// Whoever gives samples that were stored already must give none.
	Calibrations map[Place]calibration.Line
}

// Place is a channel of an engine, or of the shed where Engine is empty.
type Place struct {
	Engine  string
	Channel telemetry.Channel
}

// NewGate returns a gate; Counters and Log must be given.
func NewGate(c GateConfig) (*Gate, error) {
	if c.Counters == nil || c.Log == nil {
		return nil, errors.New("gate needs counters and a logger")
	}
	if c.Skew < 0 {
		return nil, fmt.Errorf("skew %s is negative; give how far a clock may be ahead, such as 5s", c.Skew)
	}
	if c.Skew == 0 {
		c.Skew = DefaultSkew
	}
	g := &Gate{engines: make(map[string]bool), lines: c.Calibrations, skew: c.Skew, counters: c.Counters, log: c.Log, logged: make(map[string]told)}
	for _, e := range c.Engines {
		g.engines[e] = true
	}
	return g, nil
}

// Counters returns the counters that the gate writes to.
func (g *Gate) Counters() *Counters { return g.counters }

// Trouble counts a trouble of a kind and logs it, once per kind and minute, with the
// topic and how many of its kind were not logged since.
func (g *Gate) Trouble(now time.Time, topic, kind, text string) {
	g.counters.trouble(kind)
	g.mu.Lock()
	last, seen := g.logged[kind]
	if seen && now.Sub(last.at) < time.Minute && !now.Before(last.at) {
		last.since++
		g.logged[kind] = last
		g.mu.Unlock()
		return
	}
	g.logged[kind] = told{at: now}
	g.mu.Unlock()
	const most = 200
	if len(topic) > most {
		topic = strings.ToValidUTF8(topic[:most], "") + "…"
	}
	g.log.Warn(text, "kind", kind, "topic", topic, "more_since", last.since)
}

// Admit corrects by their calibration and judges samples that came on a topic for an
// engine, or for the shed if engine is empty. It returns those that go to the store, in the same array: absurd ones and
// those ahead of now are among them as bad samples. Samples of the wrong place, and
// all of an engine that is not configured, are not.
func (g *Gate) Admit(now time.Time, topic, engine string, samples []telemetry.Sample) []telemetry.Sample {
	if engine != "" && !g.engines[engine] {
		g.Trouble(now, topic, UnknownEngine, fmt.Sprintf("samples of engine %q refused, it is not in the configuration; mend the node's topic or add the engine", engine))
		return nil
	}
	kept := samples[:0]
	for _, s := range samples {
		if s.Channel.OfShed() != (engine == "") {
			where := "belongs to the shed; send it to the shed's topic"
			if engine == "" {
				where = "belongs to an engine; send it to the engine's topic"
			}
			g.Trouble(now, topic, WrongPlace, fmt.Sprintf("sample of %s refused, it %s", s.Channel, where))
			continue
		}
		if s.Quality != telemetry.Bad {
			if l, ok := g.lines[Place{engine, s.Channel}]; ok {
				s.Value = l.Apply(s.Value)
			}
			switch low, high, bounded := Bounds(s.Channel); {
			case math.IsNaN(s.Value) || math.IsInf(s.Value, 0):
				g.Trouble(now, topic, NotFinite, fmt.Sprintf("sample of %s refused, its value is not a finite number", s.Channel))
				continue
			case bounded && !(s.Value >= low && s.Value <= high):
				u, _ := telemetry.UnitOf(s.Channel)
				s = telemetry.Lost(s.Channel, s.At, fmt.Sprintf("absurd: %g %s is outside %g to %g", s.Value, u, low, high))
				g.Trouble(now, topic, Absurd, fmt.Sprintf("%s kept as bad, %s; look at the sensor and its scale", s.Channel, s.Reason))
			}
		}
		if ahead := s.At.Sub(now); ahead > g.skew {
			if s.Quality != telemetry.Bad {
				s.Quality, s.Reason = telemetry.Bad, "clock ahead by "+ahead.Round(100*time.Millisecond).String()
			}
			g.Trouble(now, topic, ClockAhead, fmt.Sprintf("%s kept as bad, its time is %s ahead; set the node's clock, or this one", s.Channel, ahead.Round(100*time.Millisecond)))
		}
		kept = append(kept, s)
	}
	g.counters.Offered.Add(uint64(len(kept)))
	return kept
}

// Physical bounds: a value outside cannot be what the channel measures.
const (
	// absoluteZero in °C (SI brochure, 9th edition, section 2.3.1).
	absoluteZero = -273.15
	// hottest is above the range of every thermocouple that ITS-90 has in base metal
	// (type K to 1372 °C); common practice, no source.
	hottest = 1800
	// Air: the lowest on record is -89.2 °C (WMO archive, Vostok 1983, from memory);
	// the highest that an air sensor is made for is 85 °C, common practice, no source.
	coldestAir, hottestAir = -90, 85
	// gaugeVacuum is a perfect vacuum under the highest barometer on record, about
	// 1085 hPa (WMO archive, from memory), in Pa gauge.
	gaugeVacuum = -108_500
	// criticalPressure of water in Pa (IAPWS R7-97, section 3): no boiler reaches it.
	criticalPressure = 22.064e6
	// lowestAir and highestAir in Pa: 5500 m above the sea, higher than any railway;
	// the highest barometer on record with some room. Common practice, no source.
	lowestAir, highestAir = 50_000, 110_000
	// Level glasses and tanks: half a glass beyond either end. Common practice, no source.
	lowestLevel, highestLevel = -0.5, 1.5
	// Humidity sensors stray a little beyond either end. Common practice, no source.
	driest, wettest = -5, 105
	// Carbon monoxide: 100 ppm of zero drift; more than all cannot be.
	// Common practice, no source.
	leastCO, mostCO = -1e-4, 1
)

// Bounds returns the physical bounds of a channel's value in its unit, and false
// where none are known. Values outside are absurd: not hot, but wrong.
func Bounds(c telemetry.Channel) (low, high float64, ok bool) {
	switch c {
	case telemetry.AmbientTemp:
		return coldestAir, hottestAir, true
	case telemetry.AmbientPressure:
		return lowestAir, highestAir, true
	case telemetry.AmbientCO:
		return leastCO, mostCO, true
	}
	switch u, _ := telemetry.UnitOf(c); u {
	case telemetry.Celsius:
		return absoluteZero, hottest, true
	case telemetry.Pascal:
		return gaugeVacuum, criticalPressure, true
	case telemetry.Ratio:
		return lowestLevel, highestLevel, true
	case telemetry.Humidity:
		return driest, wettest, true
	}
	return 0, 0, false
}
