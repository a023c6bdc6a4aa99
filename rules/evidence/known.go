// Package evidence judges the single statements that the steps rest on. Each has
// a file: its declaration, and a pure function from what is known to a finding.
package evidence

import (
	"math"
	"sort"
	"strings"

	"ashlamp/rules/blowdown"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/fire"
	"ashlamp/rules/limit"
	"ashlamp/rules/saturation"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// StationSpan is by how much a barometer may differ from the standard atmosphere
// at the shed's height before it is not believed, in pascal (contract).
const StationSpan = 5000

// WithoutBarometer is taken off the standard atmosphere where there is no
// barometer, in pascal (contract): low air pressure makes water boil earlier.
const WithoutBarometer = 4000

// ColdestAir is the air temperature assumed, in degree Celsius, where none is
// measured: the lower it is, the larger the contact error allowed for.
const ColdestAir = -10

// Known is all that has been seen and said of one engine. Make it with [NewKnown].
type Known struct {
	Engine engine.Engine
	Said   *confirmation.Standing
	Run    *blowdown.Run
	Follow *saturation.Follow
	Fire   *fire.Fire
	// LayUp is the lay-up that the present disposal leads to.
	LayUp telemetry.LayUp

	tracks map[telemetry.Channel]*track.Track
	shells []*track.Track
	second []*track.Track // further pressure channels

	pressure, level, firebox, smokebox, pipe *track.Track
	left, right, humidity                    *track.Track
	air, barometer, co                       *track.Track

	standard float64 // standard atmosphere at the shed's height, Pa
	holds    map[string]*track.Hold
	shellH   []*track.Hold
	secondH  []*track.Hold

	highPressure bool
}

// NewKnown returns an engine of which nothing has been seen.
func NewKnown(e engine.Engine) (*Known, error) {
	std, err := steam.StandardAtmosphere(e.Altitude)
	if err != nil {
		return nil, err
	}
	k := &Known{
		Engine: e, LayUp: e.LayUp, standard: std,
		Said:   confirmation.New(wordDeclarations(e)...),
		Follow: &saturation.Follow{},
		tracks: map[telemetry.Channel]*track.Track{},
		holds:  map[string]*track.Hold{},
	}
	k.pressure = k.track(telemetry.BoilerPressure)
	k.level = k.track(telemetry.BoilerLevel)
	k.firebox = k.track(telemetry.Firebox)
	k.smokebox = k.track(telemetry.Smokebox)
	k.pipe = k.track(telemetry.BlowdownPipe)
	k.left = k.track(telemetry.TankLeft)
	k.right = k.track(telemetry.TankRight)
	k.humidity = k.track(telemetry.BoilerHumidity)
	k.air = k.track(telemetry.AmbientTemp)
	k.barometer = k.track(telemetry.AmbientPressure)
	k.co = k.track(telemetry.AmbientCO)
	for id := range e.Channels {
		k.track(id)
	}
	k.Fire = fire.New(k.firebox, e.Limits.At(limit.Relit))
	k.Run = blowdown.New(blowdown.Boiler{
		VolumeL: e.BoilerVolume, BoreMM: e.Limits.At(limit.BlowDownBore),
		UPipe: e.Channel(telemetry.BlowdownPipe).Uncertainty, ULevel: e.Channel(telemetry.BoilerLevel).Uncertainty,
		PipeFreshS: k.pipe.FreshLimit(), LevelFreshS: k.level.FreshLimit(),
	})
	k.makeHolds()
	return k, nil
}

// wordDeclarations makes a confirmation for each evidence that is by word only
// under an id that the contract does not have.
func wordDeclarations(e engine.Engine) []confirmation.Declaration {
	known := map[string]bool{}
	for _, d := range confirmation.Table() {
		known[d.ID] = true
	}
	var ids []string
	for ev := range e.ByWord {
		ids = append(ids, ev)
	}
	sort.Strings(ids)
	var out []confirmation.Declaration
	for _, ev := range ids {
		id := e.ByWord[ev]
		if known[id] {
			continue
		}
		known[id] = true
		out = append(out, confirmation.Declaration{
			ID: id, Title: Title(ev), Question: Title(ev) + ": looked at just now, and found so?",
			AfterS: confirmation.HourS, Ends: []confirmation.Cause{confirmation.Fire, confirmation.Ended},
		})
	}
	return out
}

func (k *Known) track(id telemetry.Channel) *track.Track {
	t, ok := k.tracks[id]
	if ok {
		return t
	}
	t = track.New(id, k.Engine.Fresh(id))
	k.tracks[id] = t
	switch s := string(id); {
	case strings.HasPrefix(s, "boiler.shell."):
		k.shells = append(k.shells, t)
		k.shellH = append(k.shellH, t.Hold(func(_ track.Instant, v float64) bool { return k.belowBoiling(id, v) }))
	case strings.HasPrefix(s, "boiler.pressure."):
		k.second = append(k.second, t)
		k.secondH = append(k.secondH, t.Hold(func(_ track.Instant, v float64) bool { return k.insideZero(id, v) }))
	}
	return t
}

func (k *Known) limit(key limit.Key) float64 { return k.Engine.Limits.At(key) }

func (k *Known) u(id telemetry.Channel, v float64) float64 { return k.Engine.Channel(id).U(v) }

// measured reports whether the channel is declared, or was heard all the same.
func (k *Known) measured(t *track.Track) bool { return k.Engine.Declared(t.ID()) || t.Heard() }

// Tracks returns the tracks of all channels heard or declared.
func (k *Known) Tracks() map[telemetry.Channel]*track.Track { return k.tracks }

// Track returns the track of a channel, nil where it is neither declared nor heard.
func (k *Known) Track(id telemetry.Channel) *track.Track { return k.tracks[id] }

// airPressure returns the air's pressure here in pascal: measured, or standard.
// ok is false where the barometer is not to be believed; why then says so.
func (k *Known) airPressure(now track.Instant) (pa float64, why string, ok bool) {
	if v, fresh := k.barometer.Fresh(now); fresh {
		if math.Abs(v-k.standard) > StationSpan {
			return 0, sprintf("the barometer reads %.0f hPa, more than 50 hPa from the %.0f hPa that belong to this height: set it to the pressure here, not at sea level", v/100, k.standard/100), false
		}
		return v - k.u(telemetry.AmbientPressure, v), "", true
	}
	return k.standard - WithoutBarometer, "", true
}

// Boiling returns the lowest temperature at which water boils here, in degree
// Celsius, with the barometer's uncertainty on the early side.
func (k *Known) Boiling(now track.Instant) (tC float64, why string, ok bool) {
	pa, why, ok := k.airPressure(now)
	if !ok {
		return math.NaN(), why, false
	}
	tC, err := steam.SaturationTemperature(pa)
	if err != nil {
		return math.NaN(), err.Error(), false
	}
	return tC, "", true
}

// airTemperature returns the shed's air in degree Celsius, or a cold guess.
func (k *Known) airTemperature(now track.Instant) float64 {
	if v, ok := k.air.Fresh(now); ok {
		return v - k.u(telemetry.AmbientTemp, v)
	}
	return ColdestAir
}

// gauge turns a value of a pressure channel into gauge pressure in pascal, with
// its expanded uncertainty.
func (k *Known) gauge(id telemetry.Channel, v float64, now track.Instant) (p, u float64) {
	c := k.Engine.Channel(id)
	if !c.Absolute {
		return v, c.U(v)
	}
	if air, fresh := k.barometer.Fresh(now); fresh && math.Abs(air-k.standard) <= StationSpan {
		return v - air, math.Hypot(c.U(v), k.u(telemetry.AmbientPressure, air))
	}
	return v - k.standard, math.Hypot(c.U(v), WithoutBarometer)
}

// Gauge returns the boiler's gauge pressure in pascal with its expanded
// uncertainty, and false where there is no fresh good sample.
func (k *Known) Gauge(now track.Instant) (p, u float64, ok bool) {
	v, ok := k.pressure.Fresh(now)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	p, u = k.gauge(telemetry.BoilerPressure, v, now)
	return p, u, true
}

// hottestShell returns the highest fresh shell temperature, its channel, and
// false where no shell channel is fresh.
func (k *Known) hottestShell(now track.Instant) (tC, u float64, ok bool) {
	tC = math.Inf(-1)
	for _, t := range k.shells {
		if v, fresh := t.Fresh(now); fresh && v > tC {
			tC, u, ok = v, k.u(t.ID(), v), true
		}
	}
	return tC, u, ok
}

// Seen is what a sample made plain beyond its own value, for the caller to act on.
type Seen struct {
	Admission track.Admission
	Fire      fire.Event
	Run       blowdown.Event
	// Lapsed are the words that ended because of it.
	Lapsed []confirmation.Lapsed
}

// Add takes one sample in. The caller has brought the clock to now first.
func (k *Known) Add(now track.Instant, s telemetry.Sample) Seen {
	t := k.track(s.Channel)
	var seen Seen
	seen.Admission = t.Add(s)
	at := track.Of(s.At)
	if good, v, ok := t.Good(); seen.Admission != track.Newest || !ok || good != at {
		return seen
	} else {
		s.Value = v
	}
	switch s.Channel {
	case telemetry.BoilerPressure:
		k.addPressure(at, s.Value, &seen)
	case telemetry.Firebox:
		seen.Fire = k.Fire.Next(at, s.Value)
		if seen.Fire == fire.Relit {
			seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Fire, at)...)
		}
	case telemetry.BlowdownPipe:
		k.addPipe(at, s.Value, &seen)
	case telemetry.BoilerLevel:
		seen.Run = k.Run.Level(at, s.Value)
		if seen.Run == blowdown.WaterBack {
			seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Water, at)...)
		}
	}
	return seen
}

func (k *Known) addPressure(at track.Instant, v float64, seen *Seen) {
	p, u := k.gauge(telemetry.BoilerPressure, v, at)
	over := math.Abs(p) > confirmation.PressureBar*1e5
	if over {
		seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Pressure, at)...)
	}
	k.highPressure = over
	if shell, us, ok := k.hottestShell(at); ok {
		air, _, believed := k.airPressure(at)
		if !believed {
			air = k.standard
		}
		k.Follow.Next(saturation.Pair{
			At: at, Gauge: p, UPressure: u, Ambient: air,
			Shell: shell, UShell: us, Air: k.airTemperature(at),
		}, !k.emptying())
	}
}

// emptying reports whether water was seen to leave through the cocks: from then
// on dry steel need not follow the saturation line.
func (k *Known) emptying() bool {
	_, began := k.Run.Began()
	return began
}

func (k *Known) addPipe(at track.Instant, v float64, seen *Seen) {
	boiling, _, ok := k.Boiling(at)
	if !ok {
		boiling, _ = steam.SaturationTemperature(k.standard)
	}
	gauge := math.NaN()
	if p, _, fresh := k.Gauge(at); fresh {
		gauge = p
	}
	air, _, ok := k.airPressure(at)
	if !ok {
		air = k.standard
	}
	seen.Run = k.Run.Pipe(at, v, boiling, gauge, air)
	if k.Run.Hot() {
		k.Said.PipeRunning(at)
	}
	if seen.Run == blowdown.Finished {
		seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.BlownDown, at)...)
	}
}

// Renew forgets what belongs to one disposal only, as a new one begins.
func (k *Known) Renew() {
	k.Run.Reset()
	*k.Follow = saturation.Follow{}
}
