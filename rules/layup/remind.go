package layup

import (
	"fmt"
	"math"

	"ashlamp/rules/disposal"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// Resting is what is known of an engine at rest.
type Resting struct {
	Phase disposal.Phase
	LayUp telemetry.LayUp
	// Since is when the lay-up began, LookedAt when somebody last looked into the
	// boiler or tested its water; 0 for never.
	Since, LookedAt track.Instant
	// PlugsRemoved and SmokeboxAjar, AshCleared are words that stand.
	PlugsRemoved, SmokeboxAjar, AshCleared bool
	// LevelKnown with Level of the glass, for wet storage; LevelAtFirst when it began.
	LevelKnown          bool
	Level, LevelAtFirst float64
	// Repairs are what was found and booked for repair, oldest first.
	Repairs []string
	// Tag is what was put into the boiler (desiccant, oil, nitrogen …); empty for nothing.
	Tag string
}

// Reminder is something that a person should do, or look at.
type Reminder struct {
	// ID tells it from others; Before is the step that it should come before, empty for
	// none; Due is since when it is due.
	ID, Text, Before string
	Due              track.Instant
}

// WetLevelDrop is the part of the glass that a full boiler may lose before it is
// told: evaporation is millimetres a week (from memory), more is a leak.
const WetLevelDrop = 0.05

// BeforeLighting is the step that reminders of the morning come before. Nothing of
// ours lights a fire: it is what the page shows when a fire is about to be lit.
const BeforeLighting = "light-up"

// Reminders returns what should be done, in the order in which it presses.
func Reminders(r Resting, now track.Instant) []Reminder {
	var out []Reminder
	add := func(id, before string, due track.Instant, format string, args ...any) {
		out = append(out, Reminder{ID: id, Before: before, Due: due, Text: fmt.Sprintf(format, args...)})
	}
	atRest := r.Phase == disposal.LaidUp || r.Phase == disposal.Housed
	if r.PlugsRemoved {
		// A fire must not be lit into an open boiler: asked first, and until somebody says
		// that they are back.
		add("plugs-back", BeforeLighting, now, "The plugs are said to be out. Before a fire is lit: all plugs and doors back and proved?")
	}
	if r.Tag != "" {
		add("take-out", BeforeLighting, now, "In the boiler: %s. Take it out before it is filled.", r.Tag)
	}
	for i, s := range r.Repairs {
		add(fmt.Sprintf("repair-%d", i+1), BeforeLighting, now, "Booked for repair: %s. Is it done?", s)
	}
	if !atRest {
		return out
	}
	if !r.AshCleared {
		add("ash-pan", "", r.Since, "Ash pan: nobody has said that it is cleared. Damp ash eats plates.")
	}
	if !r.SmokeboxAjar && r.LayUp == telemetry.Dry {
		add("smokebox-door", "", r.Since, "Smokebox: nobody has said that its door is ajar and its char is out. Damp char eats plates.")
	}
	every, what := math.NaN(), ""
	switch {
	case r.LayUp == telemetry.Dry && r.PlugsRemoved:
		every, what = LookOpenDays, "Open and dry: look into it, and feel behind stays and on the foundation ring."
	case r.LayUp == telemetry.Dry:
		every, what = LookDryDays, "Dry and closed: open it, look, renew a moist drying agent, close it."
	case r.LayUp == telemetry.Wet:
		every, what = LookWetDays, "Wet storage: test the water, and look that it is full."
	case r.LayUp == telemetry.Short:
		every, what = ShortDays, "Left with its water longer than that is good for: steam it, fill it right up with treated water, or empty it."
	}
	if from := max(r.Since, r.LookedAt); from != 0 && every > 0 {
		if due := from.Add(every * 24 * 3600); due <= now {
			add("look", "", due, "%s", what)
		}
	}
	if r.LayUp == telemetry.Wet && r.LevelKnown && r.Level < r.LevelAtFirst-WetLevelDrop {
		add("level", "", now, "The glass fell from %.0f to %.0f %%. More than a little in weeks is a leak: look for it, and fill up with treated water.", 100*r.LevelAtFirst, 100*r.Level)
	}
	return out
}

// FrostMargin returns by how much the air is above the frost limit, the uncertainty u
// taken on the cold side, all in K; NaN where either is not known.
func FrostMargin(airC, u, frostC float64) float64 {
	if !(u >= 0) {
		return math.NaN()
	}
	return airC - u - frostC
}
