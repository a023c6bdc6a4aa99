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
func (d Declaration) ByHand() bool { return len(d.Needs) == 0 }

// Judge forms the finding at now.
func (d Declaration) Judge(k *Known, now track.Instant) Finding {
	if id := k.inPlaceOf(d); id != "" {
		f := k.word(id)
		say := f.Say
		f.Say = func() string { return trimStop(say()) + ", by word only." }
		return f
	}
	return d.judge(k, now)
}

// WordNow returns the confirmation that this evidence waits for, or rests on, on
// this engine; empty where samples alone tell.
func (d Declaration) WordNow(k *Known) string {
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
		if t, ok := k.tracks[id]; ok && k.measured(t) {
			return true
		}
	}
	return false
}

// inPlaceOf returns the confirmation that the owner has put in the place of an
// evidence of which a channel is not measured; empty where all are, or none is named.
func (k *Known) inPlaceOf(d Declaration) string {
	id, ok := k.Engine.ByWord[d.ID]
	if !ok {
		return ""
	}
	for _, t := range k.required(d) {
		if !k.measured(t) {
			return id
		}
	}
	if d.ID == "nothing-left-to-boil" && k.Engine.EmptiedBy == engine.Cold && len(k.shells) == 0 {
		return id
	}
	return ""
}

// required returns the tracks without which an evidence cannot be judged.
func (k *Known) required(d Declaration) []*track.Track {
	switch d.ID {
	case "pressure-zero":
		return []*track.Track{k.pressure}
	case "nothing-left-to-boil":
		if k.Engine.EmptiedBy == engine.Empty {
			return []*track.Track{k.pipe, k.level}
		}
		return k.shells
	case "tanks-empty":
		return k.tanks()
	}
	var out []*track.Track
	for _, id := range d.Needs {
		out = append(out, k.track(id))
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
func (d Declaration) Measured(k *Known) bool { return k.anyMeasured(d.Needs) }

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

// makeHolds starts a hold for each statement "has been inside its limit".
// Comparisons take the uncertainty on the unsafe side; NaN is never inside.
func (k *Known) makeHolds() {
	atMost := func(name string, t *track.Track, most func() float64) {
		k.holds[name] = t.Hold(func(_ track.Instant, v float64) bool { return v+k.u(t.ID(), v) <= most() })
	}
	under := func(name string, t *track.Track, most func() float64) {
		k.holds[name] = t.Hold(func(_ track.Instant, v float64) bool { return v+k.u(t.ID(), v) < most() })
	}
	atLeast := func(name string, t *track.Track, key limit.Key) {
		least := k.limit(key)
		k.holds[name] = t.Hold(func(_ track.Instant, v float64) bool { return v-k.u(t.ID(), v) >= least })
	}
	pressure := func(name string, inside func(p, u float64) bool) {
		k.holds[name] = k.pressure.Hold(func(at track.Instant, v float64) bool {
			return inside(k.gauge(telemetry.BoilerPressure, v, at))
		})
	}
	is := func(key limit.Key) func() float64 { return func() float64 { return k.limit(key) } }
	between := func(lo, hi limit.Key) func(p, u float64) bool {
		min, max := k.limit(lo)*1e5, k.limit(hi)*1e5
		return func(p, u float64) bool { return p-u >= min && p+u <= max }
	}

	k.holds["pressure-zero"] = k.pressure.Hold(func(_ track.Instant, v float64) bool {
		return k.insideZero(telemetry.BoilerPressure, v)
	})
	pressure("pressure-in-range", between(limit.DropMin, limit.DropMax))
	pressure("pressure-to-blow-down", between(limit.BlowDownMin, limit.BlowDownMax))
	pressure("steam-to-move", func(p, u float64) bool { return p-u >= k.limit(limit.MoveMin)*1e5 })
	pressure("pressure-falling", func(p, u float64) bool { return p+u <= k.limit(limit.HousedMax)*1e5 })
	atLeast("water-to-drop", k.level, limit.WaterToDrop)
	atLeast("water-to-rest", k.level, limit.WaterToRest)
	under("fire-out", k.firebox, is(limit.FireOut))
	under("firebox-cool", k.firebox, k.fireboxToHouse)
	under("firebox-touchable", k.firebox, is(limit.Touch))
	under("smokebox-cool", k.smokebox, k.smokeboxToHouse)
	under("smokebox-open", k.smokebox, is(limit.OpenSmokebox))
	under("smokebox-touchable", k.smokebox, is(limit.Touch))
	atMost(string(telemetry.TankLeft), k.left, is(limit.TankEmpty))
	atMost(string(telemetry.TankRight), k.right, is(limit.TankEmpty))
	atMost("barrel-dry", k.humidity, is(limit.BarrelRH))
	atMost("air-clear", k.co, func() float64 { return k.limit(limit.CO) * 1e-6 })
}

// SetLayUp changes the lay-up that this disposal leads to; holds against limits
// that depend on it begin anew.
func (k *Known) SetLayUp(l telemetry.LayUp) {
	if l == "" || l == k.LayUp {
		return
	}
	k.LayUp = l
	k.holds["firebox-cool"].Restart()
	k.holds["smokebox-cool"].Restart()
}
