// Package caution has what a person is told beside each step, and at the foot of
// every page and paper.
//
// The sentences are the tool's own. Their matter is common practice as handbooks and
// guidance notes have it; local law, the engine's written scheme of examination, its
// maker's book and the competent person come before them.
package caution

// AdviceLine stands at the foot of every page and paper.
const AdviceLine = "Advice only: operates nothing, holds nothing shut. Look, listen, try the cocks yourself. " +
	"“Cannot tell”: act as if the worst were true. The competent person and local codes come first."

// Always is what goes for every step.
const Always = "If this page and the senses disagree: stop, stand clear, find out why."

// FirstUse is told before anyone relies on the tool.
func FirstUse() []string {
	return []string{
		"This is not a safety device, carries no safety integrity level, and never stands in for safety valves, gauge glasses, pressure gauge, fusible plugs or a trained person. Keep all of them in order, and keep doing what was done before there was this tool.",
		"The limits are the owner's. The defaults are starting points from general practice: have the competent person agree them for each engine, in writing, before anyone relies on them.",
		"A sensor is fixed to one spot. Metal a hand's breadth away may be hotter.",
		"Fittings that carry pressure (pockets, siphons, tappings) are boiler work: have them designed, fitted and examined as such.",
		"Sensors and nodes near steam, ash and hose water: low voltage, right enclosure, cable away from heat; mains work by someone licensed for it.",
		Always,
	}
}

// ash is told wherever ash is dealt with.
var ash = []string{
	"Ash can light something for four days at least: metal bin, lid, outdoors, away from buildings, coal, oil and timber.",
	"Water on hot ash bursts into steam and can give off carbon monoxide: stand upwind and to the side, small water first, nobody under the engine.",
}

var bySteps = map[string][]string{
	"drop-fire": append([]string{
		"Water in the glass, well above the bottom nut; prove both glasses first. The level falls by a tenth or more as water cools.",
		"A moving or boiling level is not a reading.",
		"Fire on the ground burns people and sleepers: place, wind, hose, clear way out.",
		"Never put cold water on hot firebox plates.",
	}, ash...),
	"move-under-steam": {
		"Brakes may need steam. Know what holds the engine when it is gone, and scotch it.",
		"The ash-pan slide is shut whenever the engine moves.",
	},
	"blow-down": {
		"Everything that leaves the cock is at or above boiling, and part of it turns to steam at once. Clear people, animals, point work and the path of the jet.",
		"Watch where the water then runs, and whether it may run there by law.",
		"How hot and at what pressure is for the engine's own instructions: emptying hot, and cooling fast, both strain plates, stays and tubes.",
		"Never refill a hot, empty boiler with cold water.",
	},
	"plugs-out": {
		"No single reading proves a boiler without pressure. Vent open and quiet, gauge at zero, a try cock that neither blows nor sucks, and water below boiling or boiler seen empty: all, by different means.",
		"A gauge may be shut off, blocked, stuck on its pin, or reading zero over vacuum.",
		"Below boiling is not cool: water at 60 °C scalds in seconds.",
		"Slacken, wait, break the joint standing to one side, keep thread engaged until nothing comes. Lowest plug last. Gloves, goggles, long sleeves.",
		"A boiler left shut while it cools pulls a vacuum: open the vent in time.",
		"Boiling point depends on today's air pressure where you stand.",
	},
	"open-smokebox": {
		"Char and brick stay hot long after the shell; opening a door feeds air to a fire thought to be out.",
	},
	"drain-tanks": {
		"See that the water runs where it may run, and that it has stopped because the tanks are empty, not because the drain is blocked.",
	},
	"reach-in": {
		"Char and brick stay hot long after the shell; metal a hand's breadth from the sensor may be hotter.",
		"Going inside is confined-space work: permit, air tested and kept fresh, someone outside, isolation, no entry above the temperature your rules allow.",
	},
	"house": append([]string{
		"Embers, gas and steam come in with the engine. Nobody alone until the air is known to be good.",
		"The shed's carbon monoxide reading is a hint at one place: it replaces neither a personal alarm nor ventilation. Headache, nausea, dizziness: get out, get help, do not go back in.",
	}, ash...),
	"seal-dry": {
		"“Barrel dry” speaks of the air at one sensor. Pockets behind stays, the foundation ring and low pipes may be wet: look.",
		"A drained boiler is not a dry one, and a dry one does not stay dry in damp air.",
		"Frost: pumps, injectors, siphons, gauge pipes and tanks burst before the barrel.",
		"Desiccant, oil, oxygen scavenger or nitrogen in a boiler: tag it, record it, take it out before filling. Nitrogen and an empty closed vessel kill without warning.",
		"Before the next steaming: all plugs and doors back and proved; vent, gauge cocks and siphons open; water proved in both glasses. The tool does not check it.",
	},
}

// ByStep returns the cautions of a step, the one that matters most first; none for
// an id that is no step's.
func ByStep(step string) []string { return append([]string(nil), bySteps[step]...) }

// Steps returns the cautions of every step by its id.
func Steps() map[string][]string {
	all := make(map[string][]string, len(bySteps))
	for id := range bySteps {
		all[id] = ByStep(id)
	}
	return all
}
