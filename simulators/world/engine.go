package world

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/boiler/furnace"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/sensor"
)

// Engine is everything that a world is made from.
type Engine struct {
	// ID is the engine's id in the shed.
	ID string
	// Start is the date at which the engine arrives at the ash pit.
	Start time.Time
	// Altitude of the shed, m.
	Altitude float64

	Boiler  boiler.Design
	Furnace furnace.Design
	Tanks   Tanks
	Weather Weather
	// Pressure (Pa gauge) and Glass (0..1) on arrival.
	Pressure, Glass float64
	// Injector is its feed, kg/s.
	Injector float64
	// Blower, Brake, Drive and LetDown are effective areas in m2 through which
	// steam is used for each.
	Blower, Brake, Drive, LetDown float64
	// PipeCools is the time constant in s with which the empty blow-down pipe
	// cools.
	PipeCools float64

	Plan   crew.Plan
	Manner crew.Manner
	// Sensors by their place in [Channels].
	Sensors [ChannelCount]sensor.Character
}

// ChannelCount is the number of channels that a world has sensors for.
const ChannelCount = 14

// Places in [Channels].
const (
	pressure = iota
	shellTop
	shellBottom
	level
	humidity
	fireboxCouple
	smokeboxCouple
	pipe
	tankLeft
	tankRight
	airTemperature
	airHumidity
	airPressure
	airCO
)

// Channels returns the channels in the order in which a world keeps its sensors.
func Channels() [ChannelCount]telemetry.Channel {
	return [ChannelCount]telemetry.Channel{
		telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel,
		telemetry.BoilerHumidity, telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe,
		telemetry.TankLeft, telemetry.TankRight, telemetry.AmbientTemp, telemetry.AmbientHumidity,
		telemetry.AmbientPressure, telemetry.AmbientCO,
	}
}

const bar = 1e5

// built scales an engine from its boiler's volume in litres and working pressure
// in bar. Masses of metal go with volume, surfaces with its power 2/3; the
// proportions are those of small locomotive boilers (common practice, no source).
func built(litres, workingBar float64) Engine {
	r := litres / 400
	s := math.Cbrt(r)
	a := s * s
	const steel = 480 // J/(kg K)
	// Plates thicken with pressure.
	m := r * (0.6 + 0.04*workingBar)
	return Engine{
		Start: time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC),
		Boiler: boiler.Design{
			Volume: litres / 1000, Diameter: 0.62 * s, GlassBottom: 0.63, GlassTop: 0.86,
			WorkingPressure: workingBar * bar,
			Cocks:           []float64{0.020 * s, 0.020 * s}, CockFactor: 1,
			Vent: 0.015 * s, Safety: 0.025 * s, Plugs: 8 * 7e-4 * a,
			Bottom:     boiler.Metal{Capacity: 190 * steel * m, Area: 2.0 * a},
			Top:        boiler.Metal{Capacity: 190 * steel * m, Area: 2.0 * a},
			Plates:     boiler.Metal{Capacity: 380 * steel * m, Area: 9.0 * a},
			LossBottom: 5.5 * a, LossTop: 6.5 * a, Rim: 30 * a, Along: 8 * a,
			Residue: 1.2 * a,
		},
		Furnace: furnace.Design{
			Power: 120e3 * a, Flame: 1150, Brick: 55 * 900 * r, BrickArea: 0.35 * a,
			Draught: 0.05 * a, Smoke: 420,
		},
		Tanks: Tanks{Count: 2, Area: 0.45 * a, Depth: 0.55 * s, Balance: 0.032 * s, Drain: 0.025 * s,
			Level: [2]float64{0.42, 0.42}},
		Weather:  Weather{Mean: 11, Swing: 5, DewPoint: 7, Pressure: 99.2e3, Trend: -20, CO: 2e-6},
		Pressure: 0.82 * workingBar * bar, Glass: 0.55,
		Injector: 0.16 * a, Blower: 5e-6 * a, Brake: 3e-5 * a, Drive: 6e-5 * a, LetDown: 4.5e-5 * a,
		PipeCools: 260,
		Plan: crew.Plan{LayUp: telemetry.Dry, EmptiedBy: "empty", Working: workingBar * bar,
			BlowDownMin: 0.5 * bar, BlowDownMax: 3.1 * bar, Cocks: 2, Tanks: 2},
		Manner:  crew.Careful("crew"),
		Sensors: typical(workingBar),
	}
}

// typical is a set of sound instruments of middling quality: a 0.5 % transducer of
// 1.6 times the working pressure, couples on a converter of 1/16 K.
func typical(workingBar float64) [ChannelCount]sensor.Character {
	span := 1.6 * workingBar * bar
	couple := sensor.Character{Lag: 12, Noise: 0.12, Quantum: 0.0625, Contact: 0.01, Low: -50, High: 400}
	hot := couple
	hot.High, hot.Noise, hot.Lag, hot.Contact = 1300, 0.4, 20, 0
	var s [ChannelCount]sensor.Character
	s[pressure] = sensor.Character{Lag: 0.5, Noise: 250, Quantum: 100, Low: -1.02 * bar, High: span}
	s[shellTop], s[shellBottom] = couple, couple
	s[pipe] = couple
	s[level] = sensor.Character{Lag: 4, Noise: 0.003, Quantum: 0.001, Low: -0.1, High: 1.1}
	s[humidity] = sensor.Character{Lag: 30, Noise: 0.3, Quantum: 0.1, Low: -5, High: 105}
	s[fireboxCouple], s[smokeboxCouple] = hot, hot
	s[tankLeft] = sensor.Character{Lag: 5, Noise: 0.001, Quantum: 0.001, Low: -0.1, High: 1.1}
	s[tankRight] = s[tankLeft]
	s[airTemperature] = sensor.Character{Lag: 60, Noise: 0.05, Quantum: 0.1, Low: -45, High: 60}
	s[airHumidity] = sensor.Character{Lag: 60, Noise: 0.3, Quantum: 0.1, Low: -5, High: 105}
	s[airPressure] = sensor.Character{Noise: 3, Quantum: 1, Low: 30e3, High: 110e3}
	s[airCO] = sensor.Character{Lag: 30, Noise: 4e-7, Quantum: 1e-6, Low: -5e-6, High: 1e-3}
	return s
}

// Quillet is the larger engine of the demonstration: 400 l, 10 bar, two side
// tanks, emptied hot on the evening of its run.
func Quillet() Engine {
	e := built(400, 10)
	e.ID = "quillet"
	e.Altitude = 180
	e.Manner = crew.Careful("R. Penhalow")
	e.Sensors[pressure].Offset = 1200
	e.Sensors[shellTop].Offset = -0.4
	e.Sensors[shellBottom].Offset = 0.5
	return e
}

// Marrow is the smaller one: 140 l, 7 bar, one tank, one blow-down cock.
func Marrow() Engine {
	e := built(140, 7)
	e.ID = "marrow"
	e.Altitude = 180
	e.Start = e.Start.Add(25 * time.Minute)
	e.Boiler.Cocks = e.Boiler.Cocks[:1]
	e.Tanks.Count, e.Tanks.Level[1] = 1, 0
	e.Plan.Cocks, e.Plan.Tanks = 1, 1
	e.Manner = crew.Careful("T. Oxley")
	e.Sensors[pressure].Offset = -900
	return e
}

// Osier is the one of the demonstration that nobody has set up yet: 250 l, 9 bar, two
// side tanks, two blow-down cocks.
func Osier() Engine {
	e := built(250, 9)
	e.ID = "osier"
	e.Altitude = 180
	// It may stand in steam for a day.
	e.Pressure, e.Tanks.Level = 0.62*9*bar, [2]float64{0.8, 0.8}
	e.Manner = crew.Careful("R. Penhalow")
	e.Sensors[pressure].Offset = 700
	e.Sensors[shellTop].Offset = 0.3
	e.Sensors[shellBottom].Offset = -0.4
	return e
}

// What [Like] makes an engine of: inside these the proportions hold from which it is
// built, those of [Draw] and a little more.
const (
	LeastLitres, MostLitres = 40, 2500
	LeastBar, MostBar       = 3, 16
)

// Like is an engine of somebody's: its boiler's volume in litres, working pressure in
// bar and number of tanks, all else as is usual. It refuses one that is too unlike
// those from which the usual was taken.
func Like(id string, litres, workingBar float64, tanks int) (Engine, error) {
	switch {
	case !(litres >= LeastLitres && litres <= MostLitres):
		return Engine{}, fmt.Errorf("a boiler of %g l is outside %d to %d l; only those can be simulated", litres, LeastLitres, MostLitres)
	case !(workingBar >= LeastBar && workingBar <= MostBar):
		return Engine{}, fmt.Errorf("a working pressure of %g bar is outside %d to %d bar; only those can be simulated", workingBar, LeastBar, MostBar)
	case tanks < 0 || tanks > 2:
		return Engine{}, fmt.Errorf("%d tanks are not 0, 1 or 2", tanks)
	}
	e := built(litres, workingBar)
	e.ID = id
	e.Tanks.Count, e.Plan.Tanks = tanks, tanks
	for i := tanks; i < len(e.Tanks.Level); i++ {
		e.Tanks.Level[i] = 0
	}
	return e, nil
}

// Draw draws an engine, its climate, instruments and crew: boilers of 40 to 2000 l
// and 5 to 15 bar, sheds up to 1500 m, evenings from -4 to 30 °C.
func Draw(rng *rand.Rand) (Engine, error) {
	around := func(spread float64) float64 { return math.Exp(spread * (2*rng.Float64() - 1)) }
	e := built(40*math.Pow(50, rng.Float64()), 5+10*rng.Float64())
	e.ID = "drawn"
	e.Start = e.Start.AddDate(0, rng.IntN(12), rng.IntN(28)).Add(time.Duration(rng.IntN(4*3600)) * time.Second)
	b := &e.Boiler
	bore := around(0.3)
	b.Cocks = b.Cocks[:1+rng.IntN(2)]
	for i := range b.Cocks {
		b.Cocks[i] *= bore
	}
	b.CockFactor = 0.75 + 0.6*rng.Float64()
	b.Vent *= around(0.2)
	for _, m := range []*boiler.Metal{&b.Bottom, &b.Top, &b.Plates} {
		m.Capacity *= around(0.2)
	}
	lagging := around(0.5)
	b.LossBottom *= lagging
	b.LossTop *= lagging
	b.Residue *= around(0.5)
	b.GlassBottom += 0.03 * (2*rng.Float64() - 1)
	f := &e.Furnace
	f.Brick *= around(0.4)
	f.BrickArea *= around(0.2)
	f.Draught *= around(0.5)
	f.Smoke *= around(0.4)
	f.Flame += 100 * (2*rng.Float64() - 1)
	e.Tanks.Count = rng.IntN(3)
	// Enough to fill the boiler for the night, at least.
	k := &e.Tanks
	l := 0.05
	if k.Count > 0 {
		l += 0.22 * b.Volume / (k.Area * k.Depth * float64(k.Count))
	}
	l += (0.9 - l) * rng.Float64()
	for i := range e.Tanks.Level {
		e.Tanks.Level[i] = 0
		if i < e.Tanks.Count {
			e.Tanks.Level[i] = l
		}
	}
	e.Tanks.Balance *= around(0.2)
	e.PipeCools *= around(0.4)
	e.Pressure = (0.75 + 0.13*rng.Float64()) * b.WorkingPressure
	e.Glass = 0.4 + 0.3*rng.Float64()

	e.Altitude = 1500 * rng.Float64() * rng.Float64()
	standard, err := steam.StandardAtmosphere(e.Altitude)
	if err != nil {
		return Engine{}, fmt.Errorf("air at the drawn shed: %w", err)
	}
	w := &e.Weather
	w.Mean = -4 + 30*rng.Float64()
	w.Swing = 1 + 6*rng.Float64()
	w.DewPoint = w.Mean - w.Swing*0.8 - 6*rng.Float64()
	w.Pressure = standard + 1800*math.Max(-2, math.Min(2, rng.NormFloat64()))
	w.Trend = 60 * rng.NormFloat64()
	w.CO = 5e-6 * rng.Float64()

	e.Plan.Cocks, e.Plan.Tanks = len(b.Cocks), e.Tanks.Count
	e.Plan.BlowDownMax = (2 + 1.5*rng.Float64()) * bar
	if rng.IntN(5) == 0 {
		e.Plan.EmptiedBy = "cold"
	}
	e.Manner = crew.DrawManner(rng)

	// Instruments within their class: errors of a sound one, each drawn.
	within := func(limit float64) float64 { return limit * math.Max(-1, math.Min(1, rng.NormFloat64()/2)) }
	p := &e.Sensors[pressure]
	p.Offset, p.Gain = within(0.0025*p.High), within(0.003)
	p.DriftPerHour = within(100)
	p.Noise *= around(0.7)
	for _, i := range []int{shellTop, shellBottom, fireboxCouple, smokeboxCouple, pipe} {
		c := &e.Sensors[i]
		c.Offset, c.Gain = within(1.2), within(0.004)
		c.Lag *= around(0.6)
		c.Noise *= around(0.7)
		if c.Contact > 0 {
			c.Contact = 0.02 * rng.Float64()
		}
	}
	for _, i := range []int{level, tankLeft, tankRight} {
		c := &e.Sensors[i]
		c.Offset, c.Gain = within(0.008), within(0.01)
		c.Noise *= around(0.7)
	}
	e.Sensors[airTemperature].Offset = within(0.5)
	e.Sensors[airHumidity].Offset = within(3)
	e.Sensors[airPressure].Offset = within(150)
	return e, nil
}
