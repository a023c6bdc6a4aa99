package watch

import (
	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// Figures of the watches that the contract's limits do not have. Common practice, no
// source, where none stands beside them.
const (
	// OverShare of working pressure is over-pressure: the safety valves lift at the
	// pressure itself, and a little accumulation is their work.
	OverShare = 1.05
	// WaterLow is the part of the glass under which water is low. The lowest that a
	// glass shows stands 76 mm over the crown by 49 CFR 230.51.
	WaterLow = 0.20
	// COUrgentPPM and COLeavePPM are the further levels of carbon monoxide: EH40/2005
	// (15 min figure 100 ppm) and OSHA 29 CFR 1910.1000 (50 ppm), as the reference has.
	COUrgentPPM = 50
	COLeavePPM  = 100
	// RisingAfterS is for how long after the fire is out hot brick explains a rise
	// (contract).
	RisingAfterS = 1800
	// BrickTimes is by how much more pressure may rise while the firebox is seen to
	// cool, counted from the end of that half hour. Of 82 simulated boilers left with
	// their water one, the largest, passed the limit itself, and none twice of it.
	BrickTimes = 2
	// ConflictS is how long two values for one time are told.
	ConflictS = 600
	// StaleS is for how long a single channel must be stale beyond its limit of age: by
	// then it is plain whether its whole node is silent.
	StaleS = 180
	// ColdC and QuietPa are what an engine must be under to freeze where it stands.
	ColdC   = 40
	QuietPa = 20000
)

// Deadbands, of the range as EEMUA 191 has them (pressure 2 %, temperature 1 %, level
// 2 to 5 %; exida's quotation) but where that is wider than the limit has room for.
const (
	bandPressureShare = 0.02
	bandTemperatureK  = 3    // 1 % of 300 K
	bandLevel         = 0.05 // of the glass
	bandTank          = 0.03 // of a tank
	bandCOPPM         = 3
	bandVacuumPa      = 5000
	bandDewK          = 1
	bandRateShare     = 0.1
)

const (
	minute, hour = 60.0, 3600.0
	// by is where delays are from that no limit names.
	by = "delays: ISA-18.2 / EEMUA 191 starting points for this kind of signal (figures from memory); deadband: EEMUA 191 as quoted by exida"
	cp = "common practice, no source"
)

var people = []disposal.Phase{disposal.InSteam, disposal.FireDropped, disposal.BlowingDown, disposal.Emptied, disposal.Cooling, disposal.LightingUp}

// Table returns every watch, in the order in which a person would read them.
func Table() []Declaration {
	return []Declaration{
		{
			ID: "over-pressure", Title: "Pressure over the working pressure", Priority: alarm.High,
			Consequence: "The safety valves are all that is left to hold it.", RespondS: 2 * minute,
			Action:   "Put the injector on, open the fire door, shut the ash pan. Stand clear of the valves.",
			Deadband: "2 % of the range", OnDelayS: 15, OffDelayS: minute, ReAlarmS: 10 * minute,
			Source: by + "; limit 5 % over working pressure: " + cp, Side: Early,
			Needs: []telemetry.Channel{telemetry.BoilerPressure}, judge: overPressure,
		},
		{
			ID: "water-low", Title: "Water low in the glass", Priority: alarm.High,
			Consequence: "The firebox crown runs dry over a fire, softens and gives way.", RespondS: 3 * minute,
			Action:   "Blow through the glass. Water in sight: put the injector on. None in sight: drop the fire.",
			Deadband: "5 % of the glass", OnDelayS: minute, OffDelayS: 2 * minute, ReAlarmS: 10 * minute,
			Source: by + "; limit a fifth of the glass: " + cp, Side: Early,
			SuppressedIn:  []disposal.Phase{disposal.FireDropped, disposal.BlowingDown, disposal.Emptied, disposal.Cooling, disposal.Housed, disposal.LaidUp},
			SuppressedFor: "no fire is in: the water is meant to go, or to stand low",
			Needs:         []telemetry.Channel{telemetry.BoilerLevel}, judge: waterLow, suppress: withoutFire,
		},
		{
			ID: "lit-open", Title: "Fire with the plugs out", Priority: alarm.High,
			Consequence: "Plates and tubes burn dry, and steam comes out of open holes.", RespondS: 2 * minute,
			Action:   "Drop the fire. Let no water into the boiler until the plates are cold.",
			Deadband: "none", OnDelayS: 0, OffDelayS: 2 * minute, ReAlarmS: 5 * minute,
			Source: "contract; delays: " + cp, Side: Early,
			Needs: []telemetry.Channel{telemetry.Firebox}, judge: litOpen,
		},
		{
			ID: "fire-relit", Title: "Fire seen after it was dropped", Priority: alarm.High,
			Consequence: "Heat goes into a boiler that nobody minds, or that is empty.", RespondS: 5 * minute,
			Action:   "Look into the firebox. Rake out what burns and shut the damper.",
			Deadband: "10 K", OnDelayS: 0, OffDelayS: 10 * minute, ReAlarmS: 15 * minute, ShelfS: hour,
			Source: "contract: 30 K above its lowest and rising for 3 min; delays: " + cp, Side: AsRead,
			SuppressedIn: []disposal.Phase{disposal.LightingUp}, SuppressedFor: "a fire is meant to be in",
			Needs: []telemetry.Channel{telemetry.Firebox}, Limits: []limit.Key{limit.Relit}, judge: fireRelit, suppress: fireMeant,
		},
		{
			ID: "pressure-rising", Title: "Pressure rises with the fire out", Priority: alarm.High,
			Consequence: "Something heats the boiler while nobody minds it.", RespondS: 10 * minute,
			Action:   "Look into the firebox and at the gauge. Let nobody work on the boiler.",
			Deadband: "half the rise", OnDelayS: 2 * minute, OffDelayS: 5 * minute, ReAlarmS: 15 * minute, ShelfS: hour,
			Source: "contract: 0.5 bar, 2 min, not in the first 30 min; " + by, Side: AsRead,
			SuppressedIn: []disposal.Phase{disposal.LightingUp}, SuppressedFor: "a fire is meant to be in",
			Needs: []telemetry.Channel{telemetry.BoilerPressure}, Limits: []limit.Key{limit.Rising}, judge: pressureRising, suppress: fireMeant,
		},
		{
			ID: "vacuum", Title: "Vacuum in the boiler", Priority: alarm.Medium,
			Consequence: "Water and dirt are drawn in, joints are strained, and a gauge with a stop shows zero over it.", RespondS: 30 * minute,
			Action:   "Open the vent slowly and leave it open.",
			Deadband: "0.05 bar", OnDelayS: 2 * minute, OffDelayS: minute, ReAlarmS: hour, ShelfS: 4 * hour,
			Source: "contract: -0.10 bar, 2 min; " + by, Side: AsRead,
			Needs: []telemetry.Channel{telemetry.BoilerPressure}, Limits: []limit.Key{limit.Vacuum}, judge: vacuum, suppress: leftShut,
			SuppressedIn: []disposal.Phase{disposal.Housed, disposal.LaidUp}, SuppressedFor: "it is left shut with its water: open the vent before anybody works on it",
		},
		{
			ID: "co", Title: "Carbon monoxide in the shed", Priority: alarm.High,
			Consequence: "People are poisoned without noticing.", RespondS: 2 * minute,
			Action:   "From 20 ppm: open the doors and find out what burns. From 50: out, unless you must. From 100: everybody out, and count heads.",
			Deadband: "3 ppm", OnDelayS: 30, OffDelayS: 5 * minute, ReAlarmS: 5 * minute,
			Source: "contract: 20, 50, 100 ppm, 30 s; EH40/2005 from memory", Side: Early,
			Needs: []telemetry.Channel{telemetry.AmbientCO}, Limits: []limit.Key{limit.CO}, judge: carbonMonoxide,
		},
		{
			ID: "frost", Title: "Frost, with water aboard", Priority: alarm.Medium,
			Consequence: "Pumps, injectors, pipes and tanks burst, the barrel last.", RespondS: hour,
			Action:   "Drain tanks, pumps, injectors and pipes, or keep the shed warm.",
			Deadband: "1 K", OnDelayS: 30 * minute, OffDelayS: 30 * minute, ReAlarmS: 4 * hour, ShelfS: 8 * hour,
			Source: "contract: 3 °C, 30 min; " + cp, Side: AsRead,
			SuppressedIn: people, SuppressedFor: "the engine is hot, and people are at it",
			Needs: []telemetry.Channel{telemetry.AmbientTemp}, Limits: []limit.Key{limit.Frost, limit.TankEmpty}, judge: frost, suppress: hot,
		},
		{
			ID: "tanks-unbalanced", Title: "Tanks do not balance", Priority: alarm.Low,
			Consequence: "The balance pipe is shut, choked or frozen, or a tank leaks; the engine stands lopsided.", RespondS: hour,
			Action:   "Look at the balance pipe and its cocks, and at both tanks.",
			Deadband: "3 % of a tank", OnDelayS: 10 * minute, OffDelayS: 10 * minute, ShelfS: 24 * hour,
			Source: "contract: 0.10, 10 min; " + by, Side: Late,
			Needs: []telemetry.Channel{telemetry.TankLeft, telemetry.TankRight}, Limits: []limit.Key{limit.Unbalanced}, judge: tanksUnbalanced,
		},
		{
			ID: "condensation", Title: "Metal at the dew point", Priority: alarm.Low,
			Consequence: "Water settles on the steel and it rusts.", RespondS: 24 * hour,
			Action:   "Keep damp air out, or warm the firebox a little. Look at the desiccant.",
			Deadband: "1 K", OnDelayS: hour, OffDelayS: hour, ShelfS: 72 * hour,
			Source: "contract: dew point and 1 K, 60 min; " + cp, Side: AsRead,
			SuppressedIn: append([]disposal.Phase{disposal.Housed}, people...), SuppressedFor: "it is not laid up",
			Needs: []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom, telemetry.AmbientTemp, telemetry.AmbientHumidity}, Limits: []limit.Key{limit.DewMargin},
			judge: condensation, suppress: inPhase,
		},
		{
			ID: "cooling-too-fast", Title: "Shell cools too fast", Priority: alarm.Medium,
			Consequence: "Plates, stays and tube ends are strained and begin to leak.", RespondS: 10 * minute,
			Action:   "Shut the ash pan and the smokebox. Stop blowing down, and put no cold water in.",
			Deadband: "a tenth of the limit", OnDelayS: minute, OffDelayS: 5 * minute, ShelfS: 4 * hour,
			Source: "limit: the maker's book; no published figure was found for a locomotive boiler; " + by, Side: Late,
			Needs: []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom}, Limits: []limit.Key{limit.Cooling}, judge: coolingTooFast,
		},
		{
			ID: "shell-spread", Title: "Top and bottom of the shell far apart", Priority: alarm.Medium,
			Consequence: "The barrel bends, and seams and stays are strained.", RespondS: 10 * minute,
			Action:   "Stop what cools one end. Let temperatures even out.",
			Deadband: "3 K", OnDelayS: minute, OffDelayS: 5 * minute, ShelfS: 4 * hour,
			Source: "limit: the maker's book; no published figure was found for a locomotive boiler; " + by, Side: Late,
			Needs: []telemetry.Channel{telemetry.ShellTop, telemetry.ShellBottom}, Limits: []limit.Key{limit.Spread}, judge: shellSpread,
		},
		{
			ID: "sensor-fault", Title: "A sensor is not to be relied upon", Priority: alarm.Medium,
			Consequence: "What it should prove cannot be told.", RespondS: hour,
			Action:   "Go by gauge, glass and try cock. Look at the sensor that is named.",
			Deadband: "none", OnDelayS: minute, OffDelayS: 5 * minute, ShelfS: 24 * hour,
			Source: cp, Side: Late, judge: sensorFault,
		},
		{
			ID: "sensors-disagree", Title: "Two sensors disagree", Priority: alarm.Medium,
			Consequence: "One of them is wrong, and what rests on them cannot be told.", RespondS: hour,
			Action:   "Believe the worse of the two. Compare with gauge, glass and try cock.",
			Deadband: "the tolerance falls to seven tenths of itself", OnDelayS: 0, OffDelayS: 5 * minute, ShelfS: 24 * hour,
			Source: "the comparison itself takes 2 min; " + cp, Side: Late, judge: sensorsDisagree,
		},
		{
			ID: "node-lost", Title: "A node is lost", Priority: alarm.Medium,
			Consequence: "Nothing that its sensors should prove can be told.", RespondS: hour,
			Action:   "Look at its supply and its link. If it was put away, say so.",
			Deadband: "none", OnDelayS: 30, OffDelayS: minute, ShelfS: 24 * hour,
			Source: cp, Side: Late, judge: nodeLost,
		},
		{
			ID: "clock-wrong", Title: "A node's clock is wrong", Priority: alarm.Low,
			Consequence: "What it measures counts for nothing.", RespondS: 4 * hour,
			Action:   "Set the node's clock, or let it send no times.",
			Deadband: "none", OnDelayS: 0, OffDelayS: 2 * minute, ShelfS: 24 * hour,
			Source: "contract: more than the skew ahead; " + cp, Side: Late, judge: clockWrong,
		},
		{
			ID: "store-trouble", Title: "Samples are not kept", Priority: alarm.Medium,
			Consequence: "The evening's record has a hole, and a restart forgets it.", RespondS: hour,
			Action:   "Look at the disk: is it full, or failing?",
			Deadband: "none", OnDelayS: 10, OffDelayS: minute, ReAlarmS: 4 * hour, ShelfS: 8 * hour,
			Source: cp, Side: Late, judge: storeTrouble,
		},
	}
}

// withoutFire suppresses what only a fire makes matter. A fire that is seen, whatever
// was said of it, is one.
func withoutFire(d *Declaration, k *Known) (string, bool) {
	if k.Fire == FireRelit || k.SaidLit {
		return "", false
	}
	if k.Fire == FireOut {
		return d.SuppressedFor, true
	}
	return inPhase(d, k)
}

// fireMeant suppresses what tells of a fire that is not meant to be.
func fireMeant(d *Declaration, k *Known) (string, bool) {
	if k.Fire == FireIn || k.SaidLit {
		return d.SuppressedFor, true
	}
	return "", false
}

// hot suppresses frost while the engine gives off its own heat.
func hot(d *Declaration, k *Known) (string, bool) {
	why, phase := inPhase(d, k)
	if !phase {
		return "", false
	}
	warm := k.Pressure.Known && k.Pressure.Value > QuietPa
	for _, s := range k.Shells {
		warm = warm || s.Known && s.Value > ColdC
	}
	if warm || len(k.Shells) == 0 && k.Fire == FireIn && k.Phase == disposal.InSteam {
		return why, true
	}
	return "", false
}
