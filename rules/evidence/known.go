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

	sensors map[telemetry.Channel]*sensor
	all     []*sensor // in the order in which they were declared or heard
	shells  []*shell
	second  []*second

	pressure, level, firebox, smokebox, pipe *sensor
	left, right, humidity                    *sensor
	bothTanks                                [2]*sensor
	air, barometer, co                       *sensor

	standard float64 // standard atmosphere at the shed's height, Pa
	holds    holds
	aloud    bool // sentences are asked for

	boilsAt, boilsPa float64 // the boiling point last asked for
	// bore is between which pressures the shell contradicted the gauge when last asked.
	bore map[[2]float64]bool
}

// sensor is one channel: its past, and how well it is measured.
type sensor struct {
	*track.Track
	how      engine.Channel
	declared bool
	// falls is that it was found falling when last asked over half an hour.
	falls bool
	// fallsSlowly is that fire-out found it falling over half an hour when last asked.
	fallsSlowly bool
	// quick is that it was found falling too quickly when last asked.
	quick bool
}

// u returns the expanded uncertainty at a value.
func (s *sensor) u(v float64) float64 { return s.how.U(v) }

// measured reports whether the channel is declared, or was heard all the same.
func (s *sensor) measured() bool { return s.declared || s.Heard() }

// shell is a channel of the boiler's shell; second a further pressure channel.
type shell struct {
	*sensor
	belowBoiling, waived *track.Hold
}

type second struct {
	*sensor
	zero *track.Hold
}

// NewKnown returns an engine of which nothing has been seen.
func NewKnown(e engine.Engine) (*Known, error) {
	std, err := steam.StandardAtmosphere(e.Altitude)
	if err != nil {
		return nil, err
	}
	k := &Known{
		Engine: e, LayUp: e.LayUp, standard: std,
		Said:    confirmation.New(wordDeclarations(e)...),
		Follow:  &saturation.Follow{},
		sensors: map[telemetry.Channel]*sensor{},
		boilsPa: math.NaN(), bore: map[[2]float64]bool{},
	}
	k.pressure = k.sensor(telemetry.BoilerPressure)
	k.level = k.sensor(telemetry.BoilerLevel)
	k.firebox = k.sensor(telemetry.Firebox)
	k.smokebox = k.sensor(telemetry.Smokebox)
	k.pipe = k.sensor(telemetry.BlowdownPipe)
	k.left = k.sensor(telemetry.TankLeft)
	k.right = k.sensor(telemetry.TankRight)
	k.bothTanks = [2]*sensor{k.left, k.right}
	k.humidity = k.sensor(telemetry.BoilerHumidity)
	k.air = k.sensor(telemetry.AmbientTemp)
	k.barometer = k.sensor(telemetry.AmbientPressure)
	k.co = k.sensor(telemetry.AmbientCO)
	ids := make([]string, 0, len(e.Channels))
	for id := range e.Channels {
		ids = append(ids, string(id))
	}
	sort.Strings(ids)
	for _, id := range ids {
		k.sensor(telemetry.Channel(id))
	}
	k.Fire = fire.New(k.firebox.Track, e.Limits.At(limit.Relit))
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

func (k *Known) sensor(id telemetry.Channel) *sensor {
	if s, ok := k.sensors[id]; ok {
		return s
	}
	s := &sensor{Track: track.New(id, k.Engine.Fresh(id)), how: k.Engine.Channel(id), declared: k.Engine.Declared(id)}
	k.sensors[id] = s
	k.all = append(k.all, s)
	switch name := string(id); {
	case strings.HasPrefix(name, "boiler.shell."):
		k.shells = append(k.shells, &shell{
			sensor:       s,
			belowBoiling: s.Hold(func(at track.Instant, v float64) bool { return k.belowBoiling(s, v, at) }),
			waived:       s.Hold(func(at track.Instant, v float64) bool { return k.most(s, v, at) < k.limit(limit.RunDryWaiver) }),
		})
	case strings.HasPrefix(name, "boiler.pressure."):
		k.second = append(k.second, &second{
			sensor: s,
			zero:   s.Hold(func(at track.Instant, v float64) bool { return k.insideZero(s, v, at) }),
		})
	}
	return s
}

func (k *Known) limit(key limit.Key) float64 { return k.Engine.Limits.At(key) }

// Track returns the track of a channel, nil where it is neither declared nor heard.
func (k *Known) Track(id telemetry.Channel) *track.Track {
	if s, ok := k.sensors[id]; ok {
		return s.Track
	}
	return nil
}

// Tracks returns the tracks of all channels heard or declared.
func (k *Known) Tracks() []*track.Track {
	out := make([]*track.Track, len(k.all))
	for i, s := range k.all {
		out[i] = s.Track
	}
	return out
}

// StaleNext returns the first moment after now at which a channel's newest good
// sample grows too old, or [track.Never].
func (k *Known) StaleNext(now track.Instant) track.Instant {
	next := track.Never
	for _, s := range k.all {
		if at := s.StaleAt(); at > now {
			next = min(next, at)
		}
	}
	return next
}

// airPressure returns the air's pressure here in pascal: measured, or standard.
// ok is false where the barometer is not to be believed; why then says so.
func (k *Known) airPressure(now track.Instant) (pa float64, why string, ok bool) {
	if v, fresh := k.barometer.Fresh(now); fresh {
		if math.Abs(v-k.standard) > StationSpan {
			return 0, sprintf("the barometer reads %.0f hPa, more than 50 hPa from the %.0f hPa that belong to this height: set it to the pressure here, not at sea level", v/100, k.standard/100), false
		}
		return v - k.barometer.u(v), "", true
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
	if pa != k.boilsPa {
		tC, err := steam.SaturationTemperature(pa)
		if err != nil {
			return math.NaN(), err.Error(), false
		}
		k.boilsPa, k.boilsAt = pa, tC
	}
	return k.boilsAt, "", true
}

// airTemperature returns the shed's air in degree Celsius, or a cold guess.
func (k *Known) airTemperature(now track.Instant) float64 {
	if v, ok := k.air.Fresh(now); ok {
		return v - k.air.u(v)
	}
	return ColdestAir
}

// gauge turns a value of a pressure channel into gauge pressure in pascal, with
// its expanded uncertainty.
func (k *Known) gauge(s *sensor, v float64, now track.Instant) (p, u float64) {
	if !s.how.Absolute {
		return v, s.u(v)
	}
	if air, fresh := k.barometer.Fresh(now); fresh && math.Abs(air-k.standard) <= StationSpan {
		return v - air, math.Hypot(s.u(v), k.barometer.u(air))
	}
	return v - k.standard, math.Hypot(s.u(v), WithoutBarometer)
}

// Gauge returns the boiler's gauge pressure in pascal with its expanded
// uncertainty, and false where there is no fresh good sample.
func (k *Known) Gauge(now track.Instant) (p, u float64, ok bool) {
	v, ok := k.pressure.Fresh(now)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	p, u = k.gauge(k.pressure, v, now)
	return p, u, true
}

// GaugeOf turns a value of the boiler's pressure channel into gauge pressure in
// pascal, with its expanded uncertainty.
func (k *Known) GaugeOf(v float64, now track.Instant) (p, u float64) {
	return k.gauge(k.pressure, v, now)
}

// hottestShell returns the highest fresh shell temperature, its channel, and
// false where no shell channel is fresh.
func (k *Known) hottestShell(now track.Instant) (tC, u float64, ok bool) {
	tC = math.Inf(-1)
	for _, s := range k.shells {
		if v, fresh := s.Fresh(now); fresh && v > tC {
			tC, u, ok = v, s.u(v), true
		}
	}
	return tC, u, ok
}

// shellMayBe is as [Known.hottestShell], with readings that are doubted: they prove
// nothing, and may contradict.
func (k *Known) shellMayBe(now track.Instant) (tC, u float64, ok bool) {
	tC, u, ok = k.hottestShell(now)
	for _, s := range k.shells {
		n, heard := s.Newest()
		if !heard || n.Quality != telemetry.Uncertain || !(n.Value > tC) || now.Sub(track.Of(n.At)) > s.FreshLimit() {
			continue
		}
		tC, u, ok = n.Value, s.u(n.Value), true
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
func (k *Known) Add(s telemetry.Sample) Seen {
	t := k.sensor(s.Channel)
	var seen Seen
	seen.Admission = t.Add(s)
	at := track.Of(s.At)
	good := s.Quality == telemetry.Good
	if newest, _, ok := t.Good(); seen.Admission != track.Newest || !ok || newest != at {
		if seen.Admission == track.Late && good && t == k.pressure && k.overPressure(s.Value, at) {
			seen.Lapsed = k.Said.SeenLate(confirmation.Pressure, at)
		}
		return seen
	}
	switch t {
	case k.pressure:
		k.addPressure(at, s.Value, &seen)
	case k.firebox:
		seen.Fire = k.Fire.Next(at, s.Value)
		if seen.Fire == fire.Relit {
			seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Fire, at)...)
		}
		if s.Value >= fire.BurningC {
			seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.FireIn, at)...)
		}
	case k.pipe:
		k.addPipe(at, s.Value, &seen)
	case k.level:
		if !k.possible(t, s.Value, at) {
			break
		}
		seen.Run = k.Run.Level(at, s.Value)
		if seen.Run == blowdown.WaterBack {
			seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Water, at)...)
		}
	}
	return seen
}

// overPressure reports whether a value of the boiler's pressure is over 0.2 bar
// either way: "without pressure" can then no longer be true.
func (k *Known) overPressure(v float64, at track.Instant) bool {
	p, _ := k.gauge(k.pressure, v, at)
	return math.Abs(p) > confirmation.PressureBar*1e5
}

func (k *Known) addPressure(at track.Instant, v float64, seen *Seen) {
	p, u := k.gauge(k.pressure, v, at)
	if k.overPressure(v, at) {
		seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.Pressure, at)...)
	}
	if shell, us, ok := k.hottestShell(at); ok {
		_, began := k.Run.Began() // from then on dry steel need not follow the line
		air, _, believed := k.airPressure(at)
		if !believed {
			air = k.standard
		}
		k.Follow.Next(saturation.Pair{
			At: at, Gauge: p, UPressure: u, Ambient: air,
			Shell: shell, UShell: us, Air: k.airTemperature(at),
		}, !began)
	}
}

// emptied reports whether the boiler is being emptied through its cocks, or was
// seen to be: a shell that is hot without pressure is then no wonder.
func (k *Known) emptied() bool {
	_, began := k.Run.Began()
	return began && (k.Run.Hot() || k.Run.Enough())
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
	if k.Run.Running() {
		k.Said.PipeRunning(at)
	}
	if seen.Run == blowdown.Finished {
		seen.Lapsed = append(seen.Lapsed, k.Said.Seen(confirmation.BlownDown, at)...)
	}
}

// ranOut reports whether water was seen to leave through the cocks until the glass
// showed nothing, and since when it does.
func (k *Known) ranOut() (track.Instant, bool) {
	_, began := k.Run.Began()
	at, gone := k.Run.Gone()
	return at, began && gone
}

// Doubt takes a sample that is not to be relied upon. It proves nothing; but it may be
// true, and what it would end if it were ends.
func (k *Known) Doubt(s telemetry.Sample) (lapsed []confirmation.Lapsed, r blowdown.Event) {
	at := track.Of(s.At)
	switch t := k.sensors[s.Channel]; t {
	case nil:
	case k.pressure:
		if k.overPressure(s.Value, at) {
			lapsed = k.Said.Seen(confirmation.Pressure, at)
		}
	case k.firebox:
		if s.Value >= fire.BurningC {
			lapsed = k.Said.Seen(confirmation.FireIn, at)
		}
	case k.level:
		if k.Run.Back(s.Value) {
			lapsed, r = k.Said.Seen(confirmation.Water, at), blowdown.WaterBack
		}
	}
	return lapsed, r
}

// Renew forgets what belongs to one disposal only, as a new one begins.
func (k *Known) Renew() {
	k.Run.Reset()
	*k.Follow = saturation.Follow{}
}
