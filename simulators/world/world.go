package world

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/boiler/furnace"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/sensor"
)

// longestTick is the longest step in s between two looks of the crew.
const longestTick = 5.0

// The least flow out of the cocks in kg/s that counts as something going on.
const dribble = 1e-4

// Link is what is wrong with the node that carries the samples away; the zero
// value is a sound one. [ashlamp/simulators/node] obeys it.
type Link struct {
	// Silent sends nothing. Frozen sends the same values again with new times.
	Silent, Frozen bool
	// Clock is how far the node's clock is ahead, s.
	Clock float64
	// Lost, Doubled and Shuffled are the shares of packs that are.
	Lost, Doubled, Shuffled float64
	// AwayUntil is the time in s of the world until which nobody takes packs: the
	// broker is gone. What was to be sent until then is lost, or with Keeps comes
	// late in one go.
	AwayUntil float64
	Keeps     bool
	// Restarts counts how often the daemon was killed; it is up again at AwayUntil.
	Restarts int
}

// World is one engine at one moment. Its methods may be called from one
// goroutine at a time, except [World.Now].
type World struct {
	Engine

	props   *boiler.Properties
	vessel  *boiler.Vessel
	furnace *furnace.Furnace
	crew    *crew.Crew
	rng     *rand.Rand
	sensors [ChannelCount]*sensor.Sensor
	// feed[i] is the truth that sensor i follows: wires can be swapped.
	feed [ChannelCount]int

	t      float64
	micros atomic.Int64

	air      boiler.Surroundings
	nextAir  float64
	boiling  float64
	co       float64
	pipeTemp float64
	running  float64
	cockOut  float64
	opened   float64 // liquid when the cocks were first opened, kg
	truth    [ChannelCount]float64

	harm    harm
	pending []pending
	link    Link
	struck  float64 // when the first fault began; NaN while none has
	coarse  float64 // longest tick while nothing happens quickly, s
}

// harm is what faults have done to the engine itself.
type harm struct {
	choke        [2]float64 // share of each cock's bore that is left
	shutAt       float64    // share of the water left at which the cocks are shut
	shutTo       float64    // what is left of the bore then
	balance      float64
	cockLeak     float64 // m2
	safetyLeak   float64
	ventShut     bool // the crew believes it open
	relight      float64
	siphon       float64 // time constant of a blocked gauge pipe, s; 0 for free
	siphonHolds  float64
	glassBlocked bool
	glassHolds   float64
	fireStays    float64
}

// New makes a world. The same engine and seed make the same world; props may be
// shared. A nil lamp and a nil sayer are as [crew.New] says.
func New(e Engine, props *boiler.Properties, seed uint64, lamp crew.Lamp, sayer crew.Sayer) (*World, error) {
	w := &World{Engine: e, props: props, rng: rand.New(rand.NewPCG(seed, 0x6c616d70))}
	w.struck, w.coarse = math.NaN(), longestTick
	w.harm.choke = [2]float64{1, 1}
	w.harm.balance = 1
	w.co = e.Weather.CO
	w.weather()
	b := e.Boiler
	height := b.GlassBottom + e.Glass*(b.GlassTop-b.GlassBottom)
	var err error
	if w.vessel, err = boiler.New(props, b, e.Pressure, w.air.Pressure, height); err != nil {
		return nil, fmt.Errorf("engine %s: %w", e.ID, err)
	}
	w.furnace = furnace.New(e.Furnace, w.vessel.Temperature())
	if w.crew, err = crew.New(e.Plan, e.Manner, lamp, sayer); err != nil {
		return nil, fmt.Errorf("engine %s: %w", e.ID, err)
	}
	for i := range w.sensors {
		// Each instrument has a source of its own, so that a fault in one does not
		// change the noise of the others.
		w.sensors[i] = sensor.New(e.Sensors[i], rand.New(rand.NewPCG(seed, uint64(i)+1)))
		w.feed[i] = i
	}
	w.pipeTemp = w.air.Temperature + 15
	w.micros.Store(e.Start.UnixMicro())
	w.look(0)
	return w, nil
}

// Now is the world's date. It may be called from any goroutine.
func (w *World) Now() time.Time { return time.UnixMicro(w.micros.Load()).UTC() }

// Elapsed is the time since the engine arrived, s.
func (w *World) Elapsed() float64 { return w.t }

// Stand lets the crew keep the engine in steam until there are orders; see
// [crew.Crew.Stand]. It must be called before the first Step.
func (w *World) Stand(orders crew.Orders) { w.crew.Stand(orders) }

// Standing reports whether the crew still waits for orders.
func (w *World) Standing() bool { return w.crew.Standing() }

// Home reports whether the engine is housed.
func (w *World) Home() bool { return w.crew.Home() }

// Stage names what the crew is at.
func (w *World) Stage() string { return w.crew.Stage() }

// Link is the state of the node that carries the samples away.
func (w *World) Link() Link { return w.link }

// Struck returns when the first fault began, s since the start, and whether one has.
func (w *World) Struck() (float64, bool) { return w.struck, w.struck >= 0 }

// Coarse lets the crew look only every so many seconds while nothing happens
// quickly: fire out, no valve but vent and plugs open, nothing running. It saves
// time where thousands of evenings are played. Less than 5 s is 5 s, more than 30 s
// is 30 s, within which instruments and furnace still follow closely; the boiler
// takes as many steps of its own as accuracy asks for.
func (w *World) Coarse(seconds float64) { w.coarse = math.Max(longestTick, math.Min(30, seconds)) }

// still reports whether nothing happens quickly.
func (w *World) still() bool {
	h := &w.crew.Hands
	return h.Fire == 0 && h.Blower == 0 && !h.Injector && !h.Brake && !h.Moving && h.LetDown == 0 && !h.Drain &&
		w.running < dribble && (h.Plugs == 0 || h.Plugs >= 1)
}

// Began returns when the crew began a stage, s since the start, and whether it has.
func (w *World) Began(stage string) (float64, bool) { return w.crew.Began(stage) }

// Said returns when the crew last gave a confirmation, s since the start.
func (w *World) Said(id string) (float64, bool) { return w.crew.Said(id) }

// Truth is what is so, whatever any instrument says.
type Truth struct {
	// Elapsed s since the start.
	Elapsed float64
	// Pressure in the boiler, Pa gauge; Ambient, Pa absolute.
	Pressure, Ambient float64
	// Liquid, Vapour and Air in the boiler, kg; Residue is what cannot drain.
	Liquid, Vapour, Air, Residue float64
	// Fluid, Bottom, Top and Plates are temperatures, °C; Boiling is that of the
	// boiling point at the ambient pressure.
	Fluid, Bottom, Top, Plates, Boiling float64
	// Glass is what stands in it, 0..1; Running the flow out of the cocks, kg/s.
	Glass, Running float64
	// Fire is what burns, 0..1; Brick, Firebox, Smokebox and Pipe are °C.
	Fire, Brick, Firebox, Smokebox, Pipe float64
	// Tanks are levels, 0..1.
	Tanks [2]float64
	// Humidity in the barrel, 0..1.
	Humidity float64
	// SafetyLifting, VentOpen, PlugsOut and SmokeboxOpen say what is open.
	SafetyLifting, VentOpen, PlugsOut, SmokeboxOpen bool
	// AirTemperature is that of the shed, °C; CO the carbon monoxide in its air, a
	// ratio.
	AirTemperature, CO float64
	// Stage is what the crew is at.
	Stage string
}

// Truth returns what is so now.
func (w *World) Truth() Truth {
	v := w.vessel
	return Truth{
		Elapsed: w.t, Pressure: v.Pressure() - w.air.Pressure, Ambient: w.air.Pressure,
		Liquid: v.Liquid(), Vapour: v.Vapour(), Air: v.Air(), Residue: v.Residue,
		Fluid: v.Temperature(), Bottom: v.Bottom.Temperature, Top: v.Top.Temperature, Plates: v.Plates.Temperature,
		Boiling: w.boiling, Glass: v.Glass(), Running: w.running,
		Fire: w.furnace.Fire, Brick: w.furnace.BrickTemp, Firebox: w.furnace.Gas, Smokebox: w.furnace.SmokeTemp,
		Pipe: w.pipeTemp, Tanks: w.Tanks.Level, Humidity: v.Humidity(),
		SafetyLifting: v.SafetyLifting(), VentOpen: w.crew.Hands.Vent > 0 && !w.harm.ventShut,
		PlugsOut: w.crew.Hands.Plugs > 0, SmokeboxOpen: w.crew.Hands.Smokebox > 0, AirTemperature: w.air.Temperature, CO: w.co, Stage: w.crew.Stage(),
	}
}

// Vessel is the boiler, for tests that draw up its balance.
func (w *World) Vessel() *boiler.Vessel { return w.vessel }

// weather sets the air; it moves slowly and is set every 20 s.
func (w *World) weather() {
	at := w.Start.Add(time.Duration(w.t * float64(time.Second)))
	hour := float64(at.Hour()) + float64(at.Minute())/60 + float64(at.Second())/3600
	w.air.Temperature = w.Weather.temperature(hour)
	// Weather turns: no trend goes on for a night.
	w.air.Pressure = w.Weather.Pressure + trendMost*math.Tanh(w.Weather.Trend*w.t/3600/trendMost)
	w.air.Humidity = math.Min(0.99, w.props.Saturation(w.Weather.DewPoint)/w.props.Saturation(w.air.Temperature))
	w.boiling = w.props.Boiling(w.air.Pressure)
	w.nextAir = w.t + 20
}

// Step moves the world on by dt seconds. It fails if the crew could not say what
// it had to, or if the boiler left what can be simulated; the world is then at
// the moment of the failure.
func (w *World) Step(ctx context.Context, dt float64) error {
	end := w.t + dt
	for w.t < end-1e-9 {
		most := longestTick
		if w.coarse > most && w.still() {
			most = w.coarse
		}
		d := math.Min(most, end-w.t)
		if err := w.tick(ctx, d); err != nil {
			return fmt.Errorf("engine %s after %.0f s: %w", w.ID, w.t, err)
		}
	}
	return nil
}

func (w *World) tick(ctx context.Context, dt float64) error {
	if w.t >= w.nextAir {
		w.weather()
	}
	v, h := w.vessel, &w.crew.Hands
	ambient := w.air.Pressure
	see := crew.Sight{
		Gauge: v.Pressure() - ambient, Glass: v.Glass(), Running: w.running, Pipe: w.pipeTemp,
		Firebox: w.furnace.Gas, Smokebox: w.furnace.SmokeTemp,
		Shell: math.Max(v.Top.Temperature, v.Bottom.Temperature), Boiling: w.boiling,
		Tank: math.Max(w.Tanks.Level[0], w.Tanks.Level[1]),
	}
	if err := w.crew.Tick(ctx, w.t, dt, w.Now(), &see); err != nil {
		return err
	}
	w.arm()

	c := boiler.Controls{
		Plugs: h.Plugs, Vent: h.Vent,
		Draw:     h.Blower * w.Blower,
		CockLeak: w.harm.cockLeak, SafetyLeak: w.harm.safetyLeak,
		FeedTemperature: w.air.Temperature + 2,
	}
	if w.harm.ventShut {
		c.Vent, c.Plugs = 0, 0
	}
	if h.Brake {
		c.Draw += w.Brake
	}
	if h.Moving {
		c.Draw += w.Drive
	}
	c.Draw += h.LetDown * w.LetDown
	if h.Injector && (w.Tanks.Count == 0 || w.Tanks.Level[0] > 0.02) {
		c.Feed = w.Injector
	}
	open := 0.0
	for i := range v.Cocks {
		c.Cocks[i] = h.Cocks[i] * w.harm.choke[i]
		open += h.Cocks[i]
	}
	if open > 0 {
		if w.opened == 0 {
			w.opened = v.Liquid()
		}
		if w.harm.shutAt > 0 && v.Liquid() < w.harm.shutAt*w.opened {
			w.harm.choke = [2]float64{w.harm.shutTo, w.harm.shutTo}
		}
	}

	f := w.furnace
	f.Fire = math.Max(h.Fire, w.harm.fireStays)
	if w.harm.relight > 0 {
		f.Fire = math.Max(f.Fire, w.harm.relight)
	}
	w.air.PlateHeat = f.Advance(dt, v.Plates.Temperature, w.air.Temperature,
		furnace.Doors{Pan: h.Pan, Smokebox: h.Smokebox, Blower: h.Blower})
	v.Advance(dt, &c, &w.air)
	if err := v.Err(); err != nil {
		return err
	}
	w.running = (v.CockOut - w.cockOut) / dt
	w.cockOut = v.CockOut
	w.Tanks.advance(dt, w.harm.balance, h.Drain, c.Feed)

	// The pipe's end is at the boiling point here while water or steam runs, else
	// it cools, with a little heat conducted along it.
	target, tau := w.air.Temperature+0.10*(v.Bottom.Temperature-w.air.Temperature), w.PipeCools
	if w.running > 2e-3 {
		target, tau = math.Min(v.Temperature(), w.boiling), 8
	} else if w.running > 2e-5 {
		target, tau = math.Min(v.Temperature(), w.boiling), 8*2e-3/w.running
	}
	x := dt / tau
	w.pipeTemp += (target - w.pipeTemp) * x / (1 + x)

	// A fire near the shed shows in its air; it goes with time.
	co := w.Weather.CO + 4e-6*math.Min(1, f.Fire)
	w.co += (co - w.co) * math.Min(1, dt/900)

	w.t += dt
	w.micros.Store(w.Start.UnixMicro() + int64(math.Round(w.t*1e6)))
	w.look(dt)
	return nil
}

// look lets each instrument follow its truth.
func (w *World) look(dt float64) {
	v := w.vessel
	p := v.Pressure() - w.air.Pressure
	if w.harm.siphon > 0 {
		w.harm.siphonHolds += (p - w.harm.siphonHolds) * math.Min(1, dt/w.harm.siphon)
		p = w.harm.siphonHolds
	} else {
		w.harm.siphonHolds = p
	}
	g := v.Glass()
	if w.harm.glassBlocked {
		g = w.harm.glassHolds
	} else {
		w.harm.glassHolds = g
	}
	w.truth = [ChannelCount]float64{
		p, v.Top.Temperature, v.Bottom.Temperature, g, 100 * v.Humidity(),
		w.furnace.Gas, w.furnace.SmokeTemp, w.pipeTemp, w.Tanks.Level[0], w.Tanks.Level[1],
		w.air.Temperature, 100 * w.air.Humidity, w.air.Pressure, w.co,
	}
	for i, s := range w.sensors {
		s.Follow(w.truth[w.feed[i]], w.air.Temperature, dt)
	}
}

// measured reports whether a sensor stands where it can measure: that in the
// barrel is put in when the plugs come out, and an engine has the tanks it has.
func (w *World) measured(i int) bool {
	switch i {
	case humidity:
		return w.crew.Hands.Plugs >= 1
	case tankLeft:
		return w.Tanks.Count > 0
	case tankRight:
		return w.Tanks.Count > 1
	}
	return true
}

// Read appends a sample of each given channel at this moment, in the channels'
// own units; bad ones carry their reason. Channels without an instrument here
// give none. at is the time to write on them.
func (w *World) Read(dst []telemetry.Sample, at time.Time, places ...int) []telemetry.Sample {
	names := Channels()
	for _, i := range places {
		if !w.measured(i) {
			continue
		}
		r := w.sensors[i].Read(w.t)
		s := telemetry.Sample{Channel: names[i], At: at, Value: r.Value, Quality: telemetry.Good}
		if r.Reason != "" {
			s.Quality, s.Reason = telemetry.Bad, r.Reason
		}
		dst = append(dst, s)
	}
	return dst
}

// Value returns one reading without making a sample of it: the front end of an
// instrument driven at register level. ok is false where it gives no number.
func (w *World) Value(c telemetry.Channel) (value float64, ok bool) {
	for i, name := range Channels() {
		if name == c && w.measured(i) {
			r := w.sensors[i].Read(w.t)
			return r.Value, r.Reason == ""
		}
	}
	return math.NaN(), false
}

// Groups returns the places of the channels that a node reads together: pressure
// and level; temperatures and the barrel's humidity; tanks; the shed's air.
func Groups() (pressureAndLevel, temperatures, tanks, shed []int) {
	return []int{pressure, level},
		[]int{shellTop, shellBottom, fireboxCouple, smokeboxCouple, pipe, humidity},
		[]int{tankLeft, tankRight},
		[]int{airTemperature, airHumidity, airPressure, airCO}
}

// Hands is what the crew has set now.
func (w *World) Hands() crew.Hands { return w.crew.Hands }
