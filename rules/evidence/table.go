package evidence

import (
	"ashlamp/rules/blowdown"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/fire"
	"ashlamp/rules/limit"
	"ashlamp/rules/saturation"
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
	// Means is the statement itself, in one sentence.
	Means string
	// Needs are the channels it is judged from; empty for a person's word alone.
	Needs []telemetry.Channel
	// Word is the confirmation that it is, or that belongs to it.
	Word   string
	Limits []limit.Key
	// Fixed are the further numbers that it rests on and that no configuration changes.
	Fixed []Figure
	// Ways say, a sentence each, what proves it.
	Ways []string
	// Failing says what a person sees when it is not proven.
	Failing string
	// NotYet and CannotTell are the usual reasons for either, a sentence each, beside
	// those of every evidence from samples ([UsualNotYet], [UsualCannotTell]).
	NotYet, CannotTell []string
	Source             string

	judge func(k *Known, now track.Instant) Finding
}

// Figure is a number that a judgement rests on and that no configuration changes.
type Figure struct {
	Meaning string
	// Value is in Unit: "s", "K", "bar" and so on; empty for a plain number.
	Value        float64
	Unit, Source string
}

// UsualNotYet are the reasons for "not yet" of any evidence from samples.
func UsualNotYet() []string {
	return []string{
		"The value, with its uncertainty taken to the unfavourable side, is not inside the limit.",
		"It is inside, but has not been for the whole hold time; a good sample outside, or a gap in the data, starts that time anew.",
	}
}

// UsualCannotTell are the reasons for "cannot tell" of any evidence from samples.
func UsualCannotTell() []string {
	return []string{
		"A channel that it needs is not measured on this engine, and no word stands in its place.",
		"The last good sample is older than the channel's limit: the node, its link or the sensor is gone.",
		"The sensor is doubted: the health of sensors names it, and its samples prove nothing until it is sound again.",
		"The number cannot be what the channel measures: a level under the glass, a box colder than the air.",
		"The limit has no value, and only the engine's owner can set it.",
	}
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
		ID: id, Title: title, Means: title + ", by a person's word.", Word: id, Source: cp,
		Ways:    []string{"A person looks and says so; the word stands until it lapses."},
		Failing: "nobody has said so, or the word has lapsed",
		NotYet:  []string{"Nobody has said so.", "The word has lapsed, or was taken back."},
		judge:   func(k *Known, _ track.Instant) Finding { return k.word(id) },
	}
}

// The evidence that samples bear. Each returns its declaration.

// PressureZero is that the boiler is without pressure.
func PressureZero() Declaration {
	return Declaration{
		ID: "pressure-zero", Title: "Pressure zero", Means: "The boiler is without pressure.",
		Needs:  []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.AmbientPressure},
		Word:   "gauge-tried",
		Limits: []limit.Key{limit.ZeroBand, limit.ZeroHold, limit.FreshPressure}, Source: contract,
		Fixed: []Figure{
			{"widest zero band, and so the coarsest transducer that proves anything", ZeroBandCap / 1e5, "bar", contract},
			{"lowest pressure at which following the saturation line counts", saturation.FromBar, "bar", cp},
			{"how long transducer and shell must have agreed along it", saturation.ForS, "s", cp},
			{"over what span of pressure", saturation.SpanBar, "bar", cp},
			{"how long they must disagree before that is void", saturation.AgainstS, "s", cp},
			{"by how much steel may lag behind the water", saturation.LagK, "K", cp},
			{"contact error of a couple on the shell, of its excess over the air", 100 * saturation.ContactShare, "%", cp},
			{"pressure under which a hot shell must be explained", FromBlowing / 1e5, "bar", cp},
			{"by how much, beside its errors, the shell must be too hot to contradict the transducer", contradictK, "K", cp},
			{"furthest that a barometer may lie from the standard atmosphere at the shed's height", StationSpan / 100, "hPa", contract},
		},
		Ways: []string{
			"The transducer reads inside its own zero band, on either side of zero, for the hold time.",
			"That zero is believed: during this disposal the transducer followed the shell along the saturation line under steam, or every further pressure channel reads zero too, or a person has tried a gauge.",
		},
		NotYet: []string{
			"Pressure is outside the band. A vacuum is not zero: open the vent.",
			"The shell is above boiling, and transducer and shell have not yet been seen to follow the saturation line.",
			"A further pressure channel reads otherwise.",
		},
		CannotTell: []string{
			"The transducer is too coarse to tell zero from pressure.",
			"It was never seen to follow the shell under steam. Try a test gauge or a try cock.",
			"Transducer and shell disagree along the saturation line: one of them is wrong.",
			"The shell is too hot for the pressure shown, and the boiler was not seen to run empty. Look at the gauge, its cock and its pipe.",
			"The barometer is far from what belongs to the height of the shed.",
		},
		Failing: "pressure outside the transducer's own zero band, a vacuum, or a transducer that was never seen to follow the shell",
		judge:   pressureZero,
	}
}

// NothingLeftToBoil is that no water is left that could boil, known without the
// pressure transducer.
func NothingLeftToBoil() Declaration {
	return Declaration{
		ID: "nothing-left-to-boil", Title: "Nothing left to boil", Means: "No water is left in the boiler that could boil, known without the pressure transducer.",
		Needs:  []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom, telemetry.BlowdownPipe, telemetry.BoilerLevel},
		Word:   "cocks-run-dry",
		Limits: []limit.Key{limit.BoilingMargin, limit.Hold, limit.BlowDownBore}, Source: contract,
		Fixed: []Figure{
			{"the pipe runs while it is this near to boiling, or above", blowdown.RunningK, "K", contract},
			{"the pipe has finished when it has fallen by", blowdown.FellK, "K", contract},
			{"a rise over its lowest that undoes that", blowdown.RoseK, "K", cp},
			{"part of the glass through which the level must be seen to fall", blowdown.SeenFall, "of the glass", cp},
			{"part of the time that the water needs for which the pipe must run", blowdown.Share, "", contract},
			{"factor within which the fall of the glass must agree with the cocks", blowdown.Slack, "", cp},
			{"how long after the water the couple on the pipe may tell of it", blowdown.LagS, "s", cp},
			{"pressure from which a pipe that no longer runs means a shut cock", blowdown.HeldPa / 1e5, "bar", cp},
			{"contact error of a couple on the shell, of its excess over the air", 100 * saturation.ContactShare, "%", cp},
			{"air temperature taken where none is measured", ColdestAir, "°C", cp},
			{"taken off the standard atmosphere where there is no barometer", WithoutBarometer / 100, "hPa", contract},
		},
		Ways: []string{
			"Cold, where the owner has set so: every shell channel, with its uncertainty and its contact error added, is below the boiling point here less the margin, for the hold time.",
			"Empty, where the owner has set so: the glass was seen to fall while the pipe ran within reach of boiling; it ran for the share of time that this water needs through these cocks; then it fell for good; the glass shows nothing; and the cocks are said to run dry after that.",
		},
		NotYet: []string{
			"Cold: a shell channel is still too near to boiling.",
			"Empty: the boiler is still running out, or has not been seen to run; or there is water in the glass.",
			"Empty: it remains to be said, after the pipe fell, that the cocks run dry.",
		},
		CannotTell: []string{
			"The pipe fell before enough had run out: a cock may be shut or choked, and the boiler half full.",
			"The pipe no longer ran while there was steam in the boiler: a cock was shut or choked, however much had run out.",
			"The glass shows nothing, and no water was seen to leave: only the glass may be empty.",
			"The barometer is far from what belongs to the height of the shed, so that the boiling point here is not known.",
		},
		Failing: "a shell above boiling, or a boiler that was not seen to run empty",
		judge:   nothingLeftToBoil,
	}
}

// CocksRunDry is that nothing more comes out of the cocks at the lowest point.
func CocksRunDry() Declaration {
	d := hand("cocks-run-dry")
	d.Limits = []limit.Key{limit.RunDryWaiver, limit.Hold}
	d.Ways = append(d.Ways, "Where the owner waives it, every shell channel below the limit for the hold time stands in its place.")
	d.judge = cocksRunDry
	return d
}

// WaterToDrop is that there is water enough to drop the fire.
func WaterToDrop() Declaration {
	return Declaration{
		ID: "water-in-glass", Title: "Water in the glass", Means: "There is water enough in the glass to drop the fire over it.", Needs: []telemetry.Channel{telemetry.BoilerLevel},
		Limits: []limit.Key{limit.WaterToDrop, limit.Hold}, Source: cp,
		Ways: []string{
			"The level, less its uncertainty, is at or above the limit for the hold time.",
		},
		NotYet: []string{
			"There is too little water: put the injector on first. The level shrinks as the water cools.",
		},
		CannotTell: []string{
			"A moving or boiling level is too noisy to be a reading.",
		},
		Failing: "less water than the fire may be dropped over", judge: waterToDrop,
	}
}

// WaterToRest is that there is water enough to leave the engine with.
func WaterToRest() Declaration {
	return Declaration{
		ID: "water-in-glass", Title: "Water in the glass", Means: "There is water enough in the glass to leave the engine with it.", Needs: []telemetry.Channel{telemetry.BoilerLevel},
		Limits: []limit.Key{limit.WaterToRest, limit.Hold}, Source: cp,
		Ways: []string{
			"The level, less its uncertainty, is at or above the limit for the hold time.",
		},
		NotYet: []string{
			"There is too little water to rest with.",
		},
		Failing: "less water than the engine is to rest with", judge: waterToRest,
	}
}

// What is said of every evidence that a window of pressure is.
const (
	shellBearsOut = "The shell, where it is heard, stands on the right side of what water under those pressures boils at."
	shellDiffers  = "The shell says another pressure, by more than both may be wrong. Look at the gauge."
)

// PressureInRange is that pressure is neither too low nor too high to drop the fire.
func PressureInRange() Declaration {
	return Declaration{
		ID: "pressure-in-range", Title: "Pressure in range", Means: "Pressure is neither too low nor too high to drop the fire.", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.DropMin, limit.DropMax, limit.Hold}, Source: cp,
		Ways: []string{
			"Pressure, with its uncertainty on both sides, is between the two limits for the hold time.",
			shellBearsOut,
		},
		NotYet: []string{
			"There is too little steam left for what follows, or too much.",
		},
		CannotTell: []string{shellDiffers},
		Failing:    "too little steam left for what follows, or too much", judge: pressureInRange,
	}
}

// SteamToMove is that there is steam to move now, and still will be.
func SteamToMove() Declaration {
	return Declaration{
		ID: "steam-to-move", Title: "Steam to move", Means: "There is steam to move now, and still will be when the engine has come to its place.", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.MoveMin, limit.MoveMinutes, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which its fall is measured", slopeWindowS, "s", cp},
		},
		Ways: []string{
			"Pressure, less its uncertainty, is at or above the limit for the hold time.",
			"At its present rate of fall, or that of twice as long where it is steeper, it still will be after the minutes that the limit names.",
			shellBearsOut,
		},
		NotYet: []string{
			"Pressure is under the limit, or would be on the way.",
			"Its fall has not been watched for long enough.",
			"The boiler has run out.",
		},
		CannotTell: []string{shellDiffers},
		Failing:    "pressure that would run out on the way", judge: steamToMove,
	}
}

// PressureToBlowDown is that pressure is where the owner wants it for blowing down.
func PressureToBlowDown() Declaration {
	return Declaration{
		ID: "pressure-to-blow-down", Title: "Pressure to blow down", Means: "Pressure is where the owner wants it for blowing down.", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.BlowDownMin, limit.BlowDownMax, limit.Hold}, Source: "the owner's own figures",
		Ways: []string{
			"Pressure, with its uncertainty on both sides, is between the owner's two figures for the hold time.",
			shellBearsOut,
		},
		NotYet: []string{
			"Pressure is still above the higher figure, or already under the lower one.",
			"The boiler has run out, and there is nothing left to blow down.",
		},
		CannotTell: []string{
			shellDiffers,
			"The owner has not set both figures. Sources disagree, so that nobody else can.",
		},
		Failing: "pressure outside the owner's figures, or none set", judge: pressureToBlowDown,
	}
}

// PressureFalling is that an engine left with its water loses pressure by itself.
func PressureFalling() Declaration {
	return Declaration{
		ID: "pressure-falling", Title: "Pressure falling", Means: "An engine left with its water loses pressure by itself.", Needs: []telemetry.Channel{telemetry.BoilerPressure},
		Limits: []limit.Key{limit.HousedMax, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which it must have fallen in each third", PressureFallS, "s", contract},
			{"by how much at least in each third", PressureFallPa / 1e5, "bar", cp},
		},
		Ways: []string{
			"Pressure, with its uncertainty, is at or under the limit for the hold time.",
			"It fell in each third of the time below; inside the zero band nothing is left to fall.",
		},
		NotYet: []string{
			"Pressure stands or rises: something still heats the boiler.",
			"It has not been watched for long enough.",
		},
		Failing: "pressure that stands or rises after the fire is out", judge: pressureFalling,
	}
}

// FireOut is that the fire is out.
func FireOut() Declaration {
	return Declaration{
		ID: "fire-out", Title: "Fire out", Means: "The fire is out.", Needs: []telemetry.Channel{telemetry.Firebox}, Word: "fire-dropped",
		Limits: []limit.Key{limit.FireOut, limit.Relit, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which it must be seen to fall", FireFallS, "s", contract},
			{"over which it is enough that it fell slowly", BoxFallS, "s", contract},
			{"how long it must rise to be taken for relit", fire.RelitForS, "s", cp},
			{"temperature that only a fire explains", fire.BurningC, "°C", cp},
			{"by how much a firebox may be read below its shell, beside the uncertainties", FireboxBelowShellK, "K", cp},
			{"temperature under which it need not fall any more, only not rise", noFireC, "°C", cp},
		},
		Ways: []string{
			"The firebox, with its uncertainty, is under the limit for the hold time.",
			"It is falling all through the time below, or, where it cools slowly, all through the last half hour.",
			"A person says that the fire is dropped.",
		},
		NotYet: []string{
			"The firebox is hot, or not falling.",
			"It has risen again: there is fire in it.",
			"Nobody has said that the fire is dropped.",
		},
		CannotTell: []string{
			"The firebox reads colder than its own shell allows: the couple may have come off.",
		},
		Failing: "a firebox that is hot, not falling, or rising again", judge: fireOut,
	}
}

// FireboxCool is that the firebox is cool enough to house the engine.
func FireboxCool() Declaration {
	return Declaration{
		ID: "firebox-cool", Title: "Firebox cool", Means: "The firebox is cool enough to house the engine.", Needs: []telemetry.Channel{telemetry.Firebox},
		Limits: []limit.Key{limit.HouseFirebox, limit.RestFirebox, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which it must be seen to fall", BoxFallS, "s", contract},
			{"temperature under which it need not fall any more, only not rise", restingC, "°C", cp},
			{"by how much a firebox may be read below its shell, beside the uncertainties", FireboxBelowShellK, "K", cp},
			{"by how much below its shell its fall is looked at", BelowShellK, "K", cp},
			{"by how much faster than the shell it may then fall", FireboxRateK, "K/h", cp},
		},
		Ways: []string{
			"The firebox, with its uncertainty, is under the limit for the hold time: one limit for an emptied engine, another for one left with its water.",
			"It has fallen all through the time below.",
		},
		NotYet: []string{
			"The firebox is over the limit, or not falling.",
			"It has not been watched for long enough.",
		},
		CannotTell: []string{
			"The firebox reads colder than its own shell allows: the couple may have come off.",
			"It reads colder than its shell and goes on falling: its couple drifts.",
		},
		Failing: "a firebox over the limit, or not falling", judge: fireboxCool,
	}
}

// SmokeboxCool is that the smokebox is cool enough to house the engine.
func SmokeboxCool() Declaration {
	return Declaration{
		ID: "smokebox-cool", Title: "Smokebox cool", Means: "The smokebox is cool enough to house the engine.", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.HouseSmokebox, limit.RestSmokebox, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which it must be seen to fall", BoxFallS, "s", contract},
			{"temperature under which it need not fall any more, only not rise", restingC, "°C", cp},
		},
		Ways: []string{
			"The smokebox, with its uncertainty, is under the limit for the hold time: one limit for an emptied engine, another for one left with its water.",
			"It has fallen all through the time below.",
		},
		NotYet: []string{
			"The smokebox is over the limit, or not falling.",
			"It has not been watched for long enough.",
		},
		CannotTell: []string{
			"The smokebox reads colder than the shell, and its door is not said to be open: the couple may have come off.",
		},
		Failing: "a smokebox over the limit, or not falling", judge: smokeboxCool,
	}
}

// SmokeboxCoolToOpen is that the smokebox is cool enough to open its door.
func SmokeboxCoolToOpen() Declaration {
	return Declaration{
		ID: "smokebox-cool", Title: "Smokebox cool", Means: "The smokebox is cool enough to open its door.", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.OpenSmokebox, limit.Hold}, Source: cp,
		Ways: []string{
			"The smokebox, with its uncertainty, is under the limit for the hold time.",
		},
		NotYet: []string{
			"The smokebox is over the limit. Opening it feeds air to what glows.",
		},
		CannotTell: []string{
			"The smokebox reads colder than the shell, and its door is not said to be open: the couple may have come off.",
		},
		Failing: "a smokebox over the limit", judge: smokeboxCoolToOpen,
	}
}

// FireboxTouchable is that a bare hand may rest on the metal of the firebox.
func FireboxTouchable() Declaration {
	return Declaration{
		ID: "firebox-touchable", Title: "Firebox touchable", Means: "A bare hand can rest on the metal of the firebox where its sensor sits.", Needs: []telemetry.Channel{telemetry.Firebox},
		Limits: []limit.Key{limit.Touch, limit.Hold}, Source: "ISO 13732-1:2006, figure from memory",
		Fixed: []Figure{
			{"by how much a firebox may be read below its shell, beside the uncertainties", FireboxBelowShellK, "K", cp},
			{"the same where the shell is nearly cold", CoolBelowShellK, "K", cp},
		},
		Ways: []string{
			"The firebox, with its uncertainty, is under the limit for the hold time.",
		},
		NotYet: []string{
			"The metal still burns.",
		},
		CannotTell: []string{
			"The firebox reads colder than its own shell allows: the couple may have come off.",
		},
		Failing: "metal that burns", judge: fireboxTouchable,
	}
}

// SmokeboxTouchable is that a bare hand may rest on the metal of the smokebox.
func SmokeboxTouchable() Declaration {
	return Declaration{
		ID: "smokebox-touchable", Title: "Smokebox touchable", Means: "A bare hand can rest on the metal of the smokebox where its sensor sits.", Needs: []telemetry.Channel{telemetry.Smokebox},
		Limits: []limit.Key{limit.Touch, limit.Hold}, Source: "ISO 13732-1:2006, figure from memory",
		Ways: []string{
			"The smokebox, with its uncertainty, is under the limit for the hold time.",
		},
		NotYet: []string{
			"The metal still burns.",
		},
		CannotTell: []string{
			"The smokebox reads colder than the shell, and its door is not said to be open: the couple may have come off.",
		},
		Failing: "metal that burns", judge: smokeboxTouchable,
	}
}

// TanksEmpty is that no water is left in the tanks.
func TanksEmpty() Declaration {
	return Declaration{
		ID: "tanks-empty", Title: "Tanks empty", Means: "No water is left in the tanks.", Needs: []telemetry.Channel{telemetry.TankLeft, telemetry.TankRight},
		Limits: []limit.Key{limit.TankEmpty, limit.Hold}, Source: cp,
		Fixed: []Figure{
			{"over which a level must not change", TankStillS, "s", contract},
			{"what counts as no change", TankStill, "of the tank", cp},
		},
		Ways: []string{
			"The level of every tank, with its uncertainty, is at or under the limit for the hold time.",
			"It has not changed over the time below.",
		},
		NotYet: []string{
			"There is water in a tank, or a level still changes.",
			"A level has not been watched for long enough.",
		},
		CannotTell: []string{
			"A level is measured too coarsely to tell the limit from empty.",
			"The engine has no tanks.",
		},
		Failing: "water in a tank, or a level that still changes", judge: tanksEmpty,
	}
}

// BarrelDry is that the air in the barrel has been dry for a day.
func BarrelDry() Declaration {
	return Declaration{
		ID: "barrel-dry", Title: "Barrel dry", Means: "The air in the barrel has been dry for a day.", Needs: []telemetry.Channel{telemetry.BoilerHumidity},
		Limits: []limit.Key{limit.BarrelRH, limit.FreshShed}, Source: "bands of corrosion practice; " + cp,
		Fixed: []Figure{
			{"how long it must hold", BarrelHoldS, "s", contract},
		},
		Ways: []string{
			"Relative humidity, with its uncertainty, is at or under the limit all through the time below.",
		},
		NotYet: []string{
			"The air would rust the barrel.",
			"It has not been dry for long enough.",
		},
		CannotTell: []string{
			"The sensor is not in the barrel yet, or is taken out again.",
		},
		Failing: "air that would rust the barrel", judge: barrelDry,
	}
}

// AirClear is that the shed's air has little carbon monoxide, where it is measured.
func AirClear() Declaration {
	return Declaration{
		ID: "air-clear", Title: "Air clear", Means: "The air of the shed has little carbon monoxide in it, at the place of its sensor.", Needs: []telemetry.Channel{telemetry.AmbientCO},
		Limits: []limit.Key{limit.CO, limit.Hold, limit.FreshShed}, Source: "EH40/2005, from memory",
		Ways: []string{
			"Carbon monoxide, with its uncertainty, is at or under the limit for the hold time.",
		},
		NotYet: []string{
			"There is carbon monoxide in the shed: find out what burns.",
		},
		Failing: "carbon monoxide in the shed", judge: airClear,
	}
}

// Word is a person's word as an evidence of its own.
func Word(id string) Declaration { return hand(id) }

// Measured reports whether any channel that the evidence is judged from is
// measured on this engine.
func (d *Declaration) Measured(k *Known) bool { return k.anyMeasured(d.Needs) }

// Table returns every evidence that samples bear, in the order in which a person
// would read them; two of one id where two steps ask it by different limits.
func Table() []Declaration {
	return []Declaration{
		PressureZero(), NothingLeftToBoil(), WaterToDrop(), WaterToRest(), PressureInRange(), SteamToMove(),
		PressureToBlowDown(), PressureFalling(), FireOut(), FireboxCool(), SmokeboxCool(), SmokeboxCoolToOpen(),
		FireboxTouchable(), SmokeboxTouchable(), TanksEmpty(), BarrelDry(), AirClear(),
	}
}

// Title returns the title of an evidence, or its id for an unknown one.
func Title(id string) string {
	for _, d := range Table() {
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
	for _, d := range Table() {
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

// againK is how far inside its limit a box must read until a hold that had been
// fulfilled and was lost is so again, K: a reading that hovers about its limit would
// else give its verdict and take it away with its noise. It is twice the noise of a
// long couple beside an ignition or a pump (common practice, no source).
const againK = 2.5

// makeHolds starts them. Comparisons take the uncertainty on the unsafe side; NaN
// is never inside, nor is what the channel cannot measure.
func (k *Known) makeHolds() {
	atMost := func(s *sensor, most float64) *track.Hold {
		return s.Hold(func(at track.Instant, v float64) bool { return v+s.u(v) <= most && k.possible(s, v, at) })
	}
	under := func(s *sensor, most func() float64) *track.Hold {
		var h *track.Hold
		lost := false
		h = s.Hold(func(at track.Instant, v float64) bool {
			since, runs := h.Since()
			fulfilled := runs && at.Sub(since) >= k.holdS()
			inside := v+s.u(v) < most() && k.possible(s, v, at)
			if lost && !fulfilled {
				return inside && v+s.u(v)+againK < most()
			}
			lost = lost || fulfilled && !inside
			return inside
		})
		return h
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
