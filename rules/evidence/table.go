package evidence

import (
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Declaration says what one evidence is: what it needs, by which limits it is
// judged and what failing looks like.
type Declaration struct {
	// ID is the evidence's name on the wire. Two declarations share one where two
	// steps ask the same of different limits.
	ID    string
	Title string
	// Needs are the channels it is judged from; empty for a person's word alone.
	Needs []telemetry.Channel
	// Word is the confirmation that it is, or that belongs to it.
	Word   string
	Limits []limit.Key
	// Failing says what a person sees when it is not proven.
	Failing string
	Source  string

	judge func(k *Known, now track.Instant) Finding
}

// ByHand reports whether the evidence is a person's word alone.
func (d *Declaration) ByHand() bool { return len(d.Needs) == 0 }

// Judge forms the finding at now.
func (d *Declaration) Judge(k *Known, now track.Instant) Finding {
	if id := k.inPlaceOf(d); id != "" {
		f := k.word(id)
		if k.aloud {
			f.text = trimStop(f.text) + ", by word only."
		}
		if g := k.beside(d, now); g.Verdict < f.Verdict {
			return g
		}
		return f
	}
	return d.judge(k, now)
}

// Say puts the finding at now in a sentence.
func (d *Declaration) Say(k *Known, now track.Instant) string {
	k.aloud = true
	f := d.Judge(k, now)
	k.aloud = false
	if f.text == "" {
		return "Not judged."
	}
	return f.text
}

// beside is what the channels that are measured say of an evidence that is by
// word because others are not: a word does not outweigh a full tank, or water in
// the glass.
func (k *Known) beside(d *Declaration, now track.Instant) Finding {
	f := nothing
	switch d.ID {
	case "tanks-empty":
		for _, t := range k.tanks() {
			if t.measured() {
				f = f.and(k.tankEmpty(t, k.limit(limit.TankEmpty), now))
			}
		}
	case "nothing-left-to-boil":
		if v, ok := k.level.Fresh(now); ok && k.Engine.EmptiedBy == engine.Empty && v-k.level.u(v) > k.Run.Bottom() {
			return k.notYet(func() string { return sprintf("There is water at %.2f of the glass.", v) })
		}
	}
	return f
}

// WordNow returns the confirmation that this evidence waits for, or rests on, on
// this engine; empty where samples alone tell.
func (d *Declaration) WordNow(k *Known) string {
	if id := k.inPlaceOf(d); id != "" {
		return id
	}
	if d.ID == "fire-out" || d.ByHand() {
		return d.Word
	}
	return ""
}

func (k *Known) anyMeasured(needs []telemetry.Channel) bool {
	for _, id := range needs {
		if t, ok := k.sensors[id]; ok && t.measured() {
			return true
		}
	}
	return false
}

// inPlaceOf returns the confirmation that the owner has put in the place of an
// evidence of which a channel is not measured; empty where all are, or none is named.
func (k *Known) inPlaceOf(d *Declaration) string {
	if len(k.Engine.ByWord) == 0 {
		return ""
	}
	id, ok := k.Engine.ByWord[d.ID]
	if !ok {
		return ""
	}
	for _, t := range k.required(d) {
		if !t.measured() {
			return id
		}
	}
	if d.ID == "nothing-left-to-boil" && k.Engine.EmptiedBy == engine.Cold && len(k.shells) == 0 {
		return id
	}
	return ""
}

// required returns the sensors without which an evidence cannot be judged.
func (k *Known) required(d *Declaration) []*sensor {
	switch d.ID {
	case "pressure-zero":
		return []*sensor{k.pressure}
	case "nothing-left-to-boil":
		if k.Engine.EmptiedBy == engine.Empty {
			return []*sensor{k.pipe, k.level}
		}
		return nil // every shell channel there is, and a word if there is none
	case "tanks-empty":
		return k.tanks()
	}
	var out []*sensor
	for _, id := range d.Needs {
		out = append(out, k.sensor(id))
	}
	return out
}

func trimStop(s string) string {
	if n := len(s); n > 0 && s[n-1] == '.' {
		return s[:n-1]
	}
	return s
}

const (
	cp       = "common practice, no source"
	contract = "the project's contract"
)

func hand(id string) Declaration {
	title := id
	for _, d := range confirmation.Table() {
		if d.ID == id {
			title = d.Title
		}
	}
	return Declaration{
		ID: id, Title: title, Word: id, Source: cp,
		Failing: "nobody has said so, or the word has lapsed",
		judge:   func(k *Known, _ track.Instant) Finding { return k.word(id) },
	}
}

// The evidence that samples bear. Each returns its declaration.

// PressureZero is that the boiler is without pressure.
func PressureZero() Declaration {
	return Declaration{
		ID: "pressure-zero", Title: "Pressure zero",
		Needs:  []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.AmbientPressure},
		Word:   "gauge-tried",
		Limits: []limit.Key{limit.ZeroBand, limit.ZeroHold, limit.FreshPressure}, Source: contract,
		Failing: "pressure outside the transducer's own zero band, a vacuum, or a transducer that was never seen to follow the shell",
		judge:   pressureZero,
	}
}

// NothingLeftToBoil is that no water is left that could boil, known without the
// pressure transducer.
func NothingLeftToBoil() Declaration {
	return Declaration{
		ID: "nothing-left-to-boil", Title: "Nothing left to boil",
		Needs:  []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom, telemetry.BlowdownPipe, telemetry.BoilerLevel},
		Word:   "cocks-run-dry",
		Limits: []limit.Key{limit.BoilingMargin, limit.Hold, limit.BlowDownBore}, Source: contract,
		Failing: "a shell above boiling, or a boiler that was not seen to run empty",
		judge:   nothingLeftToBoil,
	}
}

// CocksRunDry is that nothing more comes out of the cocks at the lowest point.
func CocksRunDry() Declaration {
	d := hand("cocks-run-dry")
	d.Limits = []limit.Key{limit.RunDryWaiver}
	d.judge = cocksRunDry
	return d
}

// WaterToDrop is that there is water enough to drop the fire.
func WaterToDrop() Declaration {
	return Declaration{
		ID: "water-in-glass", Title: "Water in the glass", Needs: []telemetry.Channel{telemetry.BoilerLevel},
		Limits: []limit.Key{limit.WaterToDrop, limit.Hold}, Source: cp,
		Failing: "less water than the fire may be dropped over", judge: waterToDrop,
	}
}

// WaterToRest is that there is water enough to leave the engine with.
func WaterToRest() Declaration {
	return Declaration{
		ID: "water-in-glass", Title: "Water in the glass", Needs: []telemetry.Channel{telemetry.BoilerLevel},
		Limits: []limit.Key{limit.WaterToRest, limit.Hold}, Source: cp,
		Failing: "less water than the engine is to rest with", judge: waterToRest,
	}
}

// PressureInRange is that pressure is neither too low nor too high to drop the fire.
func PressureInRange() Declaration {
	return Declaration{
		ID: "pressure-in-range", Title: "Pressure in range", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.DropMin, limit.DropMax, limit.Hold}, Source: cp,
		Failing: "too little steam left for what follows, or too much", judge: pressureInRange,
	}
}

// SteamToMove is that there is steam to move now, and still will be.
func SteamToMove() Declaration {
	return Declaration{
		ID: "steam-to-move", Title: "Steam to move", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.MoveMin, limit.MoveMinutes, limit.Hold}, Source: cp,
		Failing: "pressure that would run out on the way", judge: steamToMove,
	}
}

// PressureToBlowDown is that pressure is where the owner wants it for blowing down.
func PressureToBlowDown() Declaration {
	return Declaration{
		ID: "pressure-to-blow-down", Title: "Pressure to blow down", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.BlowDownMin, limit.BlowDownMax, limit.Hold}, Source: "the owner's own figures",
		Failing: "pressure outside the owner's figures, or none set", judge: pressureToBlowDown,
	}
}

// PressureFalling is that an engine left with its water loses pressure by itself.
func PressureFalling() Declaration {
	return Declaration{
		ID: "pressure-falling", Title: "Pressure falling", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.HousedMax, limit.Hold}, Source: cp,
		Failing: "pressure that stands or rises after the fire is out", judge: pressureFalling,
	}
}

// FireOut is that the fire is out.
func FireOut() Declaration {
	return Declaration{
		ID: "fire-out", Title: "Fire out", Needs: []telemetry.Channel{telemetry.Firebox}, Word: "fire-dropped",
		Limits: []limit.Key{limit.FireOut, limit.Relit}, Source: cp,
		Failing: "a firebox that is hot, not falling, or rising again", judge: fireOut,
	}
}

// FireboxCool is that the firebox is cool enough to house the engine.
func FireboxCool() Declaration {
	return Declaration{
		ID: "firebox-cool", Title: "Firebox cool", Needs: []telemetry.Channel{telemetry.Firebox},
		Limits: []limit.Key{limit.HouseFirebox, limit.RestFirebox, limit.Hold}, Source: cp,
		Failing: "a firebox over the limit, or not falling", judge: fireboxCool,
	}
}

// SmokeboxCool is that the smokebox is cool enough to house the engine.
func SmokeboxCool() Declaration {
	return Declaration{
		ID: "smokebox-cool", Title: "Smokebox cool", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.HouseSmokebox, limit.RestSmokebox, limit.Hold}, Source: cp,
		Failing: "a smokebox over the limit, or not falling", judge: smokeboxCool,
	}
}

// SmokeboxCoolToOpen is that the smokebox is cool enough to open its door.
func SmokeboxCoolToOpen() Declaration {
	return Declaration{
		ID: "smokebox-cool", Title: "Smokebox cool", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.OpenSmokebox, limit.Hold}, Source: cp,
		Failing: "a smokebox over the limit", judge: smokeboxCoolToOpen,
	}
}

// FireboxTouchable is that a bare hand may rest on the metal of the firebox.
func FireboxTouchable() Declaration {
	return Declaration{
		ID: "firebox-touchable", Title: "Firebox touchable", Needs: []telemetry.Channel{telemetry.Firebox},
		Limits: []limit.Key{limit.Touch, limit.Hold}, Source: "ISO 13732-1:2006, figure from memory",
		Failing: "metal that burns", judge: fireboxTouchable,
	}
}

// SmokeboxTouchable is that a bare hand may rest on the metal of the smokebox.
func SmokeboxTouchable() Declaration {
	return Declaration{
		ID: "smokebox-touchable", Title: "Smokebox touchable", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.Touch, limit.Hold}, Source: "ISO 13732-1:2006, figure from memory",
		Failing: "metal that burns", judge: smokeboxTouchable,
	}
}

// TanksEmpty is that no water is left in the tanks.
func TanksEmpty() Declaration {
	return Declaration{
		ID: "tanks-empty", Title: "Tanks empty", Needs: []telemetry.Channel{telemetry.TankLeft, telemetry.TankRight},
		Limits: []limit.Key{limit.TankEmpty, limit.Hold}, Source: cp,
		Failing: "water in a tank, or a level that still changes", judge: tanksEmpty,
	}
}

// BarrelDry is that the air in the barrel has been dry for a day.
func BarrelDry() Declaration {
	return Declaration{
		ID: "barrel-dry", Title: "Barrel dry", Needs: []telemetry.Channel{telemetry.BoilerHumidity},
		Limits: []limit.Key{limit.BarrelRH, limit.FreshShed}, Source: "bands of corrosion practice; " + cp,
		Failing: "air that would rust the barrel", judge: barrelDry,
	}
}

// AirClear is that the shed's air has little carbon monoxide, where it is measured.
func AirClear() Declaration {
	return Declaration{
		ID: "air-clear", Title: "Air clear", Needs: []telemetry.Channel{telemetry.AmbientCO},
		Limits: []limit.Key{limit.CO, limit.Hold, limit.FreshShed}, Source: "EH40/2005, from memory",
		Failing: "carbon monoxide in the shed", judge: airClear,
	}
}

// Word is a person's word as an evidence of its own.
func Word(id string) Declaration { return hand(id) }

// Measured reports whether any channel that the evidence is judged from is
// measured on this engine.
func (d *Declaration) Measured(k *Known) bool { return k.anyMeasured(d.Needs) }

// borne returns every evidence that samples bear.
func borne() []Declaration {
	return []Declaration{
		PressureZero(), NothingLeftToBoil(), WaterToDrop(), PressureInRange(), SteamToMove(),
		PressureToBlowDown(), PressureFalling(), FireOut(), FireboxCool(), SmokeboxCool(),
		FireboxTouchable(), SmokeboxTouchable(), TanksEmpty(), BarrelDry(), AirClear(),
	}
}

// Title returns the title of an evidence, or its id for an unknown one.
func Title(id string) string {
	for _, d := range borne() {
		if d.ID == id {
			return d.Title
		}
	}
	for _, d := range confirmation.Table() {
		if d.ID == id {
			return d.Title
		}
	}
	return id
}

// Borne reports whether the id is of an evidence that samples bear, so that the
// configuration may name a word in its place.
func Borne(id string) bool {
	for _, d := range borne() {
		if d.ID == id {
			return true
		}
	}
	return false
}

// holds are the statements "has been inside its limit for so long".
type holds struct {
	zero, inRange, toBlowDown, toMove, falling *track.Hold
	toDrop, toRest                             *track.Hold
	fireOut, fireboxCool, fireboxTouch         *track.Hold
	smokeboxCool, smokeboxOpen, smokeboxTouch  *track.Hold
	left, right, barrelDry, airClear           *track.Hold
}

// makeHolds starts them. Comparisons take the uncertainty on the unsafe side; NaN
// is never inside, nor is what the channel cannot measure.
func (k *Known) makeHolds() {
	atMost := func(s *sensor, most float64) *track.Hold {
		return s.Hold(func(at track.Instant, v float64) bool { return v+s.u(v) <= most && k.possible(s, v, at) })
	}
	under := func(s *sensor, most func() float64) *track.Hold {
		return s.Hold(func(at track.Instant, v float64) bool { return v+s.u(v) < most() && k.possible(s, v, at) })
	}
	atLeast := func(s *sensor, key limit.Key) *track.Hold {
		least := k.limit(key)
		return s.Hold(func(at track.Instant, v float64) bool { return v-s.u(v) >= least && k.possible(s, v, at) })
	}
	pressure := func(inside func(p, u float64) bool) *track.Hold {
		return k.pressure.Hold(func(at track.Instant, v float64) bool { return inside(k.gauge(k.pressure, v, at)) })
	}
	between := func(lo, hi limit.Key) func(p, u float64) bool {
		min, max := k.limit(lo)*1e5, k.limit(hi)*1e5
		return func(p, u float64) bool { return p-u >= min && p+u <= max }
	}
	is := func(key limit.Key) func() float64 {
		v := k.limit(key)
		return func() float64 { return v }
	}
	move, rest := k.limit(limit.MoveMin)*1e5, k.limit(limit.HousedMax)*1e5

	k.holds = holds{
		zero:       k.pressure.Hold(func(at track.Instant, v float64) bool { return k.insideZero(k.pressure, v, at) }),
		inRange:    pressure(between(limit.DropMin, limit.DropMax)),
		toBlowDown: pressure(between(limit.BlowDownMin, limit.BlowDownMax)),
		toMove:     pressure(func(p, u float64) bool { return p-u >= move }),
		falling:    pressure(func(p, u float64) bool { return p+u <= rest }),

		toDrop: atLeast(k.level, limit.WaterToDrop),
		toRest: atLeast(k.level, limit.WaterToRest),

		fireOut:       under(k.firebox, is(limit.FireOut)),
		fireboxCool:   under(k.firebox, k.fireboxToHouse),
		fireboxTouch:  under(k.firebox, is(limit.Touch)),
		smokeboxCool:  under(k.smokebox, k.smokeboxToHouse),
		smokeboxOpen:  under(k.smokebox, is(limit.OpenSmokebox)),
		smokeboxTouch: under(k.smokebox, is(limit.Touch)),

		left:      atMost(k.left, k.limit(limit.TankEmpty)),
		right:     atMost(k.right, k.limit(limit.TankEmpty)),
		barrelDry: atMost(k.humidity, k.limit(limit.BarrelRH)),
		airClear:  atMost(k.co, k.limit(limit.CO)*1e-6),
	}
}

// SetLayUp changes the lay-up that this disposal leads to; holds against limits
// that depend on it begin anew.
func (k *Known) SetLayUp(l telemetry.LayUp) {
	if l == "" || l == k.LayUp {
		return
	}
	k.LayUp = l
	k.holds.fireboxCool.Restart()
	k.holds.smokeboxCool.Restart()
}
