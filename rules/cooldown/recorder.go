package cooldown

import (
	"math"
	"strings"
	"time"

	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/saturation"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Figures of recording. Common practice, no source unless said otherwise.
const (
	// FirstWithinS is how long after a disposal began a reading still tells how the
	// engine was then.
	FirstWithinS = 600
	// SettledS is how long after the fire is out the boiler still takes up heat from
	// brick and plates: what it loses then says nothing of its lagging. The same figure
	// as the first half hour of the limit rising_bar.
	SettledS = 1800
	// FromBar is the lowest gauge pressure at which the saturation line tells the
	// water's temperature well enough to fit a rate.
	FromBar = 0.3
	// AtExcessK is the excess over the air at which a fall is told, WithinK how far from
	// it the means may lie that it is fitted to.
	AtExcessK = 100.0
	WithinK   = 20.0
	// FireboxExcessK is the least excess of the firebox over the shell that is fitted:
	// under it two couples differ by their errors. ShellExcessK that of the emptied
	// shell over the air.
	FireboxExcessK = 30.0
	ShellExcessK   = 5.0
	// LagSpanKPerH is the least difference between the slowest and the fastest fall from
	// which a lag can be told.
	LagSpanKPerH = 60.0
	// CoolingOverS is over how long the fastest cooling is taken.
	CoolingOverS = 600
	// StoodS is how long a tank's level must stay within its uncertainty to have stood:
	// a fall after that is another one.
	StoodS = 300
	// DryForS is how long the barrel must stay dry (the hold of the limit barrel_rh).
	DryForS = 24 * 3600
	// maxShells is how many shell channels are followed.
	maxShells = 8
)

// The ids of the forecasts whose coming is seen in the samples. Of House it is what
// needs no hand: firebox and smokebox, and the pressure to house by.
const (
	SteamToMove  = "steam-to-move"
	House        = "house"
	PressureZero = "pressure-zero"
	BelowBoiling = "below-boiling"
	FireboxCool  = "firebox-cool"
	BarrelDry    = "barrel-dry"
)

// channel is the newest good sample of one.
type channel struct {
	id    telemetry.Channel
	fresh float64 // s
	u     float64 // in the channel's unit
	at    track.Instant
	value float64
}

// now returns the reading; false where it is too old or there is none.
func (c *channel) now(at track.Instant) (float64, bool) {
	if c == nil || c.at == 0 || !(at.Sub(c.at) <= c.fresh) {
		return math.NaN(), false
	}
	return c.value, true
}

// mark is passed once what it says has been so for its hold time without a gap.
type mark struct {
	since, last, reached track.Instant
}

// look takes whether it is so at a moment and reports whether the mark is passed now.
func (m *mark) look(at track.Instant, so bool, holdS float64) bool {
	switch {
	case m.reached != 0:
		return false
	case !so:
		m.since = 0
		return false
	case m.since == 0 || at.Sub(m.last) > math.Max(holdS, gapS):
		m.since = at
	}
	m.last = at
	if !(at.Sub(m.since) >= holdS) {
		return false
	}
	m.reached = m.since
	return true
}

// Recorder follows one engine and draws up its newest disposal. Make it with [New].
// Its memory is constant. It is not safe for use by several goroutines at once.
//
// It takes samples as they came: what the judgement comes to doubt later is in the
// figures all the same.
type Recorder struct {
	engine   engine.Engine
	channels map[telemetry.Channel]*channel
	shells   []*channel
	boxes    []*channel // firebox and smokebox, as far as they are measured
	tanks    []*tank
	standard float64 // the air's pressure at the shed's altitude, Pa

	layUp        telemetry.LayUp
	begun, ended track.Instant
	over         bool // a fire was lit since
	fireOut      track.Instant
	blowing      bool
	emptied      track.Instant
	blownFrom    track.Instant
	plugs        track.Instant
	samples      int
	first        First

	zero, boiling, firebox, smokebox, touch, tanksEmpty, dry mark
	// of forecasts alone: too little steam to move, and pressure low enough to house by
	still, low mark

	loss, fire, shell line
	lag               lag
	cooling           []fall
	fastest, spread   float64

	promised []promises
	reached  map[string]track.Instant
	outcomes []Outcome
	kept     *Summary
}

// New returns a recorder of an engine that has seen nothing. It fails only where the
// engine lies at an altitude without an atmosphere.
func New(e engine.Engine) (*Recorder, error) {
	standard, err := steam.StandardAtmosphere(e.Altitude)
	if err != nil {
		return nil, err
	}
	r := &Recorder{engine: e, channels: map[telemetry.Channel]*channel{}, standard: standard}
	for _, id := range []telemetry.Channel{
		telemetry.BoilerPressure, telemetry.BoilerLevel, telemetry.BoilerHumidity, telemetry.Firebox, telemetry.Smokebox,
		telemetry.AmbientTemp, telemetry.AmbientPressure,
	} {
		r.follow(id)
	}
	for _, id := range e.Shell() {
		if len(r.shells) < maxShells {
			r.shells = append(r.shells, r.follow(id))
		}
	}
	for _, id := range []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox} {
		if e.Declared(id) {
			r.boxes = append(r.boxes, r.channels[id])
		}
	}
	for i, id := range []telemetry.Channel{telemetry.TankLeft, telemetry.TankRight} {
		if i < e.Tanks && e.Declared(id) {
			r.tanks = append(r.tanks, &tank{channel: r.follow(id)})
		}
	}
	r.forget()
	return r, nil
}

func (r *Recorder) follow(id telemetry.Channel) *channel {
	if c, ok := r.channels[id]; ok {
		return c
	}
	c := &channel{id: id, fresh: r.engine.Fresh(id), u: r.engine.Channel(id).Uncertainty}
	r.channels[id] = c
	return c
}

// forget makes room for another disposal. The newest readings stay: they tell how it
// begins.
func (r *Recorder) forget() {
	was := *r
	*r = Recorder{
		engine: was.engine, channels: was.channels, shells: was.shells, boxes: was.boxes, tanks: was.tanks, standard: was.standard,
		fastest: math.NaN(), spread: math.NaN(), reached: map[string]track.Instant{},
		cooling: make([]fall, len(was.shells)),
	}
	for _, t := range r.tanks {
		*t = tank{channel: t.channel}
	}
}

func instant(t time.Time) track.Instant { return track.Of(t) }

// Begin says that a disposal began, and which lay-up it leads to. What was recorded of
// the one before is forgotten: ask for its summary first.
func (r *Recorder) Begin(at time.Time, l telemetry.LayUp) {
	r.forget()
	r.begun, r.layUp = instant(at), l
	if l == "" {
		r.layUp = r.engine.LayUp
	}
	r.firstKnown(r.begun)
}

// End says that the disposal ended. What belongs to the lay-up is recorded on.
func (r *Recorder) End(at time.Time) {
	if r.begun != 0 && r.ended == 0 {
		r.ended = instant(at)
	}
}

// Phase says that the engine came into another phase.
func (r *Recorder) Phase(at time.Time, p disposal.Phase) {
	if r.begun == 0 || r.over {
		return
	}
	t := instant(at)
	switch p {
	case disposal.FireDropped:
		r.fireGone(t)
	case disposal.BlowingDown:
		if r.blownFrom == 0 {
			r.blownFrom = t
		}
		r.emptied = 0
	case disposal.Emptied:
		r.fireGone(t)
		if r.emptied == 0 {
			r.emptied = t
		}
	case disposal.Cooling:
		r.fireGone(t)
		if r.blowing && r.emptied == 0 {
			r.emptied = t // the plugs came out while it still ran
		}
	case disposal.InSteam:
		r.fireOut = 0
	case disposal.LightingUp:
		r.over = true
	}
	r.blowing = p == disposal.BlowingDown
	if r.blownFrom != 0 || r.fireOut == 0 {
		r.loss.end()
	}
}

func (r *Recorder) fireGone(at track.Instant) {
	if r.fireOut == 0 {
		r.fireOut = at
	}
}

// Hear takes what a person said; only words that belong to a cooldown count.
func (r *Recorder) Hear(ev telemetry.Event) {
	if r.begun == 0 || r.over {
		return
	}
	at := instant(ev.At)
	switch ev.Kind {
	case telemetry.FireLit:
		r.over = true
	case telemetry.Confirmed:
		switch ev.Subject {
		case "fire-dropped":
			r.fireGone(at)
		case "plugs-removed":
			r.plugs = at
		}
	case telemetry.Withdrawn:
		switch ev.Subject {
		case "fire-dropped":
			r.fireOut = 0
		case "plugs-removed":
			r.plugs, r.dry = 0, mark{}
		}
	}
}

// Sample takes one sample. One that is not good, has no number, is of a channel that
// tells nothing of a cooldown or is no newer than the last of its channel is left out.
func (r *Recorder) Sample(s telemetry.Sample) {
	c, ok := r.channels[s.Channel]
	if !ok || s.Quality != telemetry.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		return
	}
	at := instant(s.At)
	if at <= c.at {
		return
	}
	c.at, c.value = at, s.Value
	if r.begun == 0 || r.over || at < r.begun {
		return
	}
	r.samples++
	if at.Sub(r.begun) <= FirstWithinS {
		r.firstKnown(at)
	}
	switch id := c.id; {
	case id == telemetry.BoilerPressure:
		r.pressed(at)
	case id == telemetry.Firebox:
		r.fired(at)
	case strings.HasPrefix(string(id), "boiler.shell."):
		r.steeled(c, at)
	case id == telemetry.TankLeft || id == telemetry.TankRight:
		r.drained(at)
	case id == telemetry.BoilerHumidity:
		r.dried(at)
	}
	if id := c.id; id == telemetry.Firebox || id == telemetry.Smokebox {
		r.boxed(at)
	}
}

func (r *Recorder) limit(k limit.Key) float64 { return r.engine.Limits.At(k) }

// firstKnown keeps what is known for the first time of how the engine was.
func (r *Recorder) firstKnown(at track.Instant) {
	keep := func(to **float64, v float64, ok bool) {
		if *to == nil && ok {
			*to = number(v)
		}
	}
	gauge, ok := r.gauge(at)
	keep(&r.first.PressurePa, gauge, ok)
	hottest, _, ok := r.shellAt(at)
	keep(&r.first.ShellC, hottest, ok)
	fire, ok := r.channels[telemetry.Firebox].now(at)
	keep(&r.first.FireboxC, fire, ok)
	level, ok := r.channels[telemetry.BoilerLevel].now(at)
	keep(&r.first.Level, level, ok)
	air, ok := r.channels[telemetry.AmbientTemp].now(at)
	keep(&r.first.AirC, air, ok)
}

// airPa is the barometer's, or that of the standard atmosphere at the shed's altitude.
func (r *Recorder) airPa(at track.Instant) float64 {
	if v, ok := r.channels[telemetry.AmbientPressure].now(at); ok {
		return v
	}
	return r.standard
}

func (r *Recorder) gauge(at track.Instant) (float64, bool) {
	v, ok := r.channels[telemetry.BoilerPressure].now(at)
	if ok && r.engine.Channel(telemetry.BoilerPressure).Absolute {
		v -= r.airPa(at)
	}
	return v, ok
}

// shellAt returns the hottest shell channel, and whether every one is known.
func (r *Recorder) shellAt(at track.Instant) (hottest float64, every, any bool) {
	hottest, every = math.Inf(-1), true
	for _, c := range r.shells {
		v, ok := c.now(at)
		if !ok {
			every = false
			continue
		}
		hottest, any = math.Max(hottest, v), true
	}
	return hottest, every && any, any
}

func (r *Recorder) pressed(at track.Instant) {
	gauge, ok := r.gauge(at)
	if !ok {
		return
	}
	band := r.limit(limit.ZeroBand)
	if math.IsNaN(band) {
		band = r.channels[telemetry.BoilerPressure].u / 1e5
	}
	if r.zero.look(at, math.Abs(gauge) <= band*1e5, r.limit(limit.ZeroHold)) {
		r.Reached(PressureZero, r.zero.reached.Time())
	}
	if r.still.look(at, r.fireOut != 0 && gauge <= r.limit(limit.MoveMin)*1e5, r.limit(limit.Hold)) {
		r.Reached(SteamToMove, r.still.reached.Time())
	}
	r.low.look(at, r.fireOut != 0 && gauge <= r.limit(limit.HousedMax)*1e5, r.limit(limit.Hold))
	r.housed()
	saturation, err := steam.SaturationTemperature(gauge + r.airPa(at))
	if err != nil || !(gauge > FromBar*1e5) || r.fireOut == 0 {
		r.loss.end()
		return
	}
	if shell, _, known := r.shellAt(at); known {
		r.lag.add(at, saturation, shell)
	}
	air, known := r.channels[telemetry.AmbientTemp].now(at)
	if !known || r.blownFrom != 0 || at.Sub(r.fireOut) < SettledS {
		r.loss.end()
		return
	}
	r.loss.add(at, math.Log(saturation-air), gauge)
}

func (r *Recorder) fired(at track.Instant) {
	fire, _ := r.channels[telemetry.Firebox].now(at)
	shell, _, known := r.shellAt(at)
	if known && r.fireOut != 0 && fire-shell >= FireboxExcessK && fire <= r.limit(limit.FireOut) {
		r.fire.add(at, math.Log(fire-shell), fire)
		return
	}
	r.fire.end()
}

// boxed looks at what firebox and smokebox have come down to.
func (r *Recorder) boxed(at track.Instant) {
	hold := r.limit(limit.Hold)
	fireTo, smokeTo := r.limit(limit.HouseFirebox), r.limit(limit.HouseSmokebox)
	if r.layUp != telemetry.Dry {
		fireTo, smokeTo = r.limit(limit.RestFirebox), r.limit(limit.RestSmokebox)
	}
	fire, _ := r.channels[telemetry.Firebox].now(at)
	smoke, _ := r.channels[telemetry.Smokebox].now(at)
	out := r.fireOut != 0
	if r.firebox.look(at, out && fire+r.engine.Channel(telemetry.Firebox).U(fire) <= fireTo, hold) {
		r.Reached(FireboxCool, r.firebox.reached.Time())
	}
	r.smokebox.look(at, out && smoke+r.engine.Channel(telemetry.Smokebox).U(smoke) <= smokeTo, hold)
	r.housed()
	cool := out && len(r.boxes) > 0
	for _, c := range r.boxes {
		v, ok := c.now(at)
		cool = cool && ok && v+r.engine.Channel(c.id).U(v) <= r.limit(limit.Touch)
	}
	r.touch.look(at, cool, hold)
}

// housed looks whether all has come that an engine waits for to be housed.
func (r *Recorder) housed() {
	if r.reached[House] != 0 {
		return
	}
	last, all := r.firebox.reached, r.firebox.reached != 0
	and := func(m *mark) { last, all = max(last, m.reached), all && m.reached != 0 }
	if r.engine.Declared(telemetry.Smokebox) {
		and(&r.smokebox)
	}
	if r.layUp == telemetry.Dry {
		and(&r.zero)
		if r.engine.EmptiedBy == engine.Cold {
			and(&r.boiling)
		}
	} else {
		and(&r.low)
	}
	if all {
		r.Reached(House, last.Time())
	}
}

func (r *Recorder) steeled(c *channel, at track.Instant) {
	for i, s := range r.shells {
		if s == c {
			if k, ok := r.cooling[i].add(at, c.value); ok && !(k <= r.fastest) {
				r.fastest = k
			}
		}
	}
	top, okTop := r.channels[telemetry.ShellTop].now(at)
	bottom, okBottom := r.channels[telemetry.ShellBottom].now(at)
	if d := math.Abs(top - bottom); okTop && okBottom && !(d <= r.spread) {
		r.spread = d
	}
	hottest, every, _ := r.shellAt(at)
	boils, err := steam.BoilingPoint(r.airPa(at))
	if err != nil {
		boils = math.NaN()
	}
	air, known := r.channels[telemetry.AmbientTemp].now(at)
	contact := 0.0
	if known {
		contact = saturation.ContactShare * math.Max(0, hottest-air)
	}
	u := 0.0
	for _, s := range r.shells {
		u = math.Max(u, r.engine.Channel(s.id).U(hottest))
	}
	if r.boiling.look(at, every && hottest+u+contact <= boils-r.limit(limit.BoilingMargin), r.limit(limit.Hold)) {
		r.Reached(BelowBoiling, r.boiling.reached.Time())
		r.housed()
	}
	if r.emptied == 0 || !known || !every || hottest-air < ShellExcessK {
		r.shell.end()
		return
	}
	r.shell.add(at, math.Log(hottest-air), hottest)
}

func (r *Recorder) drained(at track.Instant) {
	empty := len(r.tanks) > 0
	for _, t := range r.tanks {
		v, ok := t.now(at)
		if ok {
			t.look(v, r.limit(limit.TankEmpty))
		}
		empty = empty && ok && v <= r.limit(limit.TankEmpty)
	}
	r.tanksEmpty.look(at, empty, r.limit(limit.Hold))
}

func (r *Recorder) dried(at track.Instant) {
	rh, _ := r.channels[telemetry.BoilerHumidity].now(at)
	u := r.engine.Channel(telemetry.BoilerHumidity).U(rh)
	if r.dry.look(at, r.plugs != 0 && rh+u <= r.limit(limit.BarrelRH), DryForS) {
		// What is foretold is the end of the hold time.
		r.Reached(BarrelDry, r.dry.reached.Add(DryForS).Time())
	}
}

// Resume takes over an earlier summary of the disposal that is recorded: what was seen
// before a restart, further back than samples are fed again. One of another disposal
// changes nothing.
func (r *Recorder) Resume(kept Summary) {
	if r.begun != 0 && kept.Begun.Equal(r.begun.Time()) && kept.Engine == r.engine.ID {
		r.kept = &kept
		// What stood before the samples that were fed again still holds for those to come.
		for _, m := range []struct {
			to   *track.Instant
			from *time.Time
		}{
			{&r.fireOut, kept.Passed.FireOut}, {&r.blownFrom, kept.Passed.BlowDownBegun},
			{&r.emptied, kept.Passed.BlowDownFinished}, {&r.plugs, kept.Passed.PlugsRemoved},
		} {
			if *m.to == 0 && m.from != nil && !r.over {
				*m.to = instant(*m.from)
			}
		}
		for _, o := range kept.Forecasts {
			if r.reached[o.Target] == 0 && len(r.reached) < 2*keptTargets {
				r.reached[o.Target] = instant(o.Reached)
			}
		}
	}
}

// Summary draws up the newest disposal as far as it went; false where none was ever
// begun.
func (r *Recorder) Summary() (Summary, bool) {
	if r.begun == 0 {
		return Summary{}, false
	}
	s := Summary{
		Engine: r.engine.ID, Begun: r.begun.Time(), Ended: moment(r.ended), LayUp: r.layUp, First: r.first,
		Passed: Passed{
			FireOut: moment(r.fireOut), BlowDownBegun: moment(r.blownFrom), BlowDownFinished: moment(r.emptied),
			PressureZero: moment(r.zero.reached), BelowBoiling: moment(r.boiling.reached),
			FireboxCool: moment(r.firebox.reached), SmokeboxCool: moment(r.smokebox.reached), Touchable: moment(r.touch.reached),
			TanksEmpty: moment(r.tanksEmpty.reached), PlugsRemoved: moment(r.plugs), BarrelDry: moment(r.dry.reached),
		},
		FastestCooling: number(r.fastest), LargestSpread: number(r.spread), TankDrainS: r.drainedIn(),
		Samples: r.samples, Forecasts: append([]Outcome{}, r.outcomes...),
	}
	half := r.engine.WorkingPressure * 1e5 / 2
	s.HeatLoss = r.lossFor(nil)
	s.HeatLossHigh = r.lossFor(func(gauge float64) bool { return gauge >= half })
	s.HeatLossLow = r.lossFor(func(gauge float64) bool { return gauge < half })
	s.FallAt100K = r.fallAt(AtExcessK)
	if f, ok := r.fire.fit(nil); ok {
		s.FireboxTimeConstant = f.timeConstant()
	}
	if f, ok := r.shell.fit(nil); ok {
		s.ShellTimeConstant = f.timeConstant()
	}
	s.PressureLag = r.lag.lag()
	s.DryingH = s.Passed.drying()
	if r.kept != nil {
		s.Fill(*r.kept)
	}
	return s, true
}

func (r *Recorder) lossFor(choose func(gaugePa float64) bool) *Rate {
	f, ok := r.loss.fit(choose)
	if !ok {
		return nil
	}
	return f.falling(1)
}

// fallAt returns the fall in K/h at an excess over the air, fitted to the means about it
// alone; nil where they do not lie on both sides of it.
func (r *Recorder) fallAt(excessK float64) *Rate {
	l := r.loss // a copy: what it is chosen by is now the excess
	below, above := false, false
	for i := range l.n {
		p := &l.points[i]
		excess := math.Exp(p.y / float64(p.n))
		p.by = excess * float64(p.n)
		below, above = below || excess <= excessK, above || excess >= excessK
	}
	f, ok := l.fit(func(excess float64) bool { return math.Abs(excess-excessK) <= WithinK })
	if !ok || !below || !above {
		return nil
	}
	return f.falling(excessK)
}

func (r *Recorder) drainedIn() *float64 {
	if r.tanksEmpty.reached == 0 {
		return nil
	}
	from := track.Never
	for _, t := range r.tanks {
		if t.from != 0 {
			from = min(from, t.from)
		}
	}
	if from >= r.tanksEmpty.reached {
		return nil
	}
	return number(r.tanksEmpty.reached.Sub(from))
}

func moment(i track.Instant) *time.Time {
	if i == 0 || i == track.Never {
		return nil
	}
	t := i.Time()
	return &t
}
