package health

import (
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

// Declaration says what one kind of finding is.
type Declaration struct {
	Kind  Kind
	Title string
	// Means is what was seen, in sentences.
	Means string
	// Effect is what becomes of the channel's samples while it stands.
	Effect string
	// Ends is when it is over.
	Ends string
	// Method names where the way of finding it is from; empty for a plain comparison.
	Method string
	// Figures are the numbers it is found by.
	Figures []Figure
}

// Figure is a number that a finding rests on and that no configuration changes.
type Figure struct {
	Meaning string
	// Value is in Unit: "s", "K" and so on; empty for a plain number.
	Value        float64
	Unit, Source string
}

const (
	cp       = "common practice, no source"
	contract = "the project's contract"
	doubtful = "All its samples are uncertain: they are drawn, and prove nothing."
)

// Kinds returns every kind of finding, in the order in which a person would read them.
func Kinds() []Declaration {
	confirm := Figure{"how long partners must disagree before it is told", ConfirmS, "s", cp}
	clear := []Figure{
		{"it ends when the difference is under this part of what the uncertainties allow", ClearShare, "", cp},
		{"for so long", ClearS, "s", cp},
	}
	lag := Figure{"by how much steel may lag behind the water, beside the uncertainties", LagK, "K", cp}
	smooth := Figure{"time constant of the moving average of the difference", SmoothS, "s", cp}
	spike := Figure{"how long it is remembered", SpikesS, "s", cp}
	average := "exponentially weighted moving average: S. W. Roberts, Technometrics 1 (1959) 239-250; NIST/SEMATECH e-Handbook 6.3.2.4 (both from memory)"
	return []Declaration{
		{
			Kind: Stale, Title: "No samples come",
			Means:  "No sample of the channel has come for longer than its limit of age.",
			Effect: "The last value is too old to count: what rests on it cannot be told.",
			Ends:   "With the next sample.",
		},
		{
			Kind: NoSignal, Title: "The sensor gives no number",
			Means:   "Samples come, but the sensor itself says that it has no number: an open couple, a loop out of its range, a fault bit.",
			Effect:  "Its samples are bad: they are kept as gaps.",
			Ends:    "With the next good sample.",
			Figures: []Figure{{"how long there must be nothing but bad samples", NoSignalS, "s", cp}},
		},
		{
			Kind: OutOfRange, Title: "A number that there cannot be",
			Means:  "The number lies outside what the instrument's range, or the thing itself, can have. See the bounds below.",
			Effect: "Those samples are bad.",
			Ends:   "With the next good sample.",
		},
		{
			Kind: Spikes, Title: "Single readings jump",
			Means:  "Single samples lie further from the last than the thing can go in that time, and the next does not bear them out. See the rates below.",
			Effect: "Only the samples that jump are uncertain.",
			Ends:   "When none has jumped for as long as it is remembered.",
			Figures: []Figure{
				{"how many within that time are told", SpikesN, "", cp},
				{"within, and how long it is remembered", SpikesS, "s", cp},
			},
		},
		{
			Kind: Jumped, Title: "Jumped, and stayed",
			Means:   "The reading jumped faster than the thing can change, and the next one bears it out. See the rates below.",
			Effect:  "The first sample of the jump is uncertain; what follows is taken as it comes.",
			Ends:    "When it has been remembered for so long.",
			Figures: []Figure{spike},
		},
		{
			Kind: Noisy, Title: "Scatters more than its uncertainty",
			Means:  "The noise of the readings, taken from how far each lies from the line between its neighbours, is larger than the uncertainty that is stated.",
			Effect: doubtful, Ends: "When the noise is inside the stated uncertainty again.",
			Method: "mean square successive difference: J. von Neumann, Ann. Math. Stat. 12 (1941) 367-395 (from memory); here of second differences",
			Figures: []Figure{
				{"samples that are needed to know the noise", NoiseN, "", cp},
				{"how many times the stated uncertainty it must be", NoiseOver, "", cp},
				{"for so long", NoiseS, "s", cp},
				{"for so long where it is the level, which moves when the engine is moved", LevelNoiseS, "s", cp},
			},
		},
		{
			Kind: Coarse, Title: "Comes in steps too coarse",
			Means:  "The smallest step between two different readings is larger than the uncertainty that is stated.",
			Effect: doubtful, Ends: "With the first smaller step.",
			Figures: []Figure{{"changes, and as many repetitions, that must have been seen", CoarseN, "", cp}},
		},
		{
			Kind: Frozen, Title: "Frozen",
			Means:  "The reading repeats itself while something that must move with it has moved by more than both uncertainties. A quiet transducer about zero repeats itself and is not frozen.",
			Effect: doubtful, Ends: "With the first different reading.",
			Figures: []Figure{
				{"equal samples at least", SameN, "", cp},
				{"pressure about zero under which repeating is no fault", QuietBar, "bar", cp},
				lag,
			},
		},
		{
			Kind: Detached, Title: "Couple off its metal",
			Means:  "A couple falls towards the air while its neighbour does not; or a firebox or a smokebox reads colder than the shell beside it allows.",
			Effect: doubtful, Ends: "When it reads as its neighbour again.",
			Figures: []Figure{
				{"fall that only a couple off its metal makes", DetachedK, "K", cp},
				{"within", DetachedS, "s", cp},
				{"how many times the fall of its neighbour", DetachedTimes, "", cp},
				{"that fall while the boiler runs out", EmptyingK, "K", cp},
				{"how long after the pipe ran that goes on", EmptyingS, "s", cp},
				{"by how much a firebox can lie below its shell", FireboxBelowShellK, "K", contract},
				{"part of the shell's excess over the air that a smokebox keeps", SmokeboxShare, "", cp},
			},
		},
		{
			Kind: Disagrees, Title: "Disagrees with its partner",
			Means:  "Two things that must agree do not, by more than both uncertainties: transducer and shell along the saturation line, the two ends of the shell, pressure over cold water, glass and blow-down pipe. Where no third can tell which is wrong, both are named.",
			Effect: doubtful, Ends: "When they have agreed again for long enough.", Method: average,
			Figures: append([]Figure{confirm, smooth}, append(clear, lag,
				Figure{"more than the two ends of a dry shell ever differ by", ApartK, "K", cp},
				Figure{"part of the glass that cannot go in five minutes with the cocks shut", GlassFell, "of the glass", cp},
				Figure{"below boiling by this the pipe does not run", PipeColdK, "K", cp},
			)...),
		},
		{
			Kind: Drifting, Title: "Drifts against its partner",
			Means:  "As above, but the two agreed at first and parted little by little.",
			Effect: doubtful, Ends: "When they have agreed again for long enough.", Method: average,
			Figures: append([]Figure{confirm, smooth}, clear...),
		},
		{
			Kind: OtherUnit, Title: "The numbers of another unit",
			Means:  "The number is out of range, or differs from its partner, by just the factor between two units.",
			Effect: doubtful, Ends: "When the numbers fit the unit again.",
		},
		{
			Kind: ClockAhead, Title: "A node's clock is ahead",
			Means:  "Samples come with times that have not been yet.",
			Effect: "Those samples are bad.", Ends: "When none has come for as long as it is remembered.",
			Figures: []Figure{{"how far ahead a sample's time may be", SkewS, "s", contract}, spike},
		},
		{
			Kind: ClockBehind, Title: "A node's clock is behind",
			Means:  "Every sample is old when it comes. A backlog sent after an outage is not that: its newest are young.",
			Effect: "They count by their own times, and so are too old: what rests on them cannot be told.",
			Ends:   "With the first sample that is young when it comes.",
			Figures: []Figure{
				{"age on arrival", ClockOldS, "s", cp},
				{"for so long", ClockForS, "s", cp},
			},
		},
		{
			Kind: NodeFrozen, Title: "A node repeats itself",
			Means:  "All channels of a node, three at least, repeat the same numbers.",
			Effect: "All samples of its channels are uncertain: they prove nothing.", Ends: "With the first different reading.",
			Figures: []Figure{
				{"for so long while anything is hot", NodeSameS, "s", cp},
				{"for so long otherwise", NodeQuietS, "s", cp},
				{"temperature that cannot keep still", HotC, "°C", cp},
			},
		},
		{
			Kind: NodeSilent, Title: "A node is silent",
			Means:  "No channel of the node comes any more.",
			Effect: "What rests on any of its channels cannot be told.", Ends: "With the next sample of any of them.",
		},
	}
}

// Bounds is what a channel can read and how fast it can change, in its unit.
type Bounds struct {
	// Low and High are the ends; infinite where none is known.
	Low, High float64
	// Rise and Fall are the fastest changes a second; 0 where none is known.
	Rise, Fall float64
}

// BoundsOf returns by what the samples of an engine's channel are found out of range
// or jumping (common practice, no source; the range is the instrument's own).
func BoundsOf(e engine.Engine, id telemetry.Channel) Bounds {
	c := newChannel(e, id)
	return Bounds{Low: c.lo, High: c.hi, Rise: c.rise, Fall: c.fall}
}
