// Package layup looks after an engine between its disposals: which rest is advised,
// whether water settles on its steel, how it dries, and what must not be forgotten.
//
// It advises. Whoever owns the engine, and its maker's book, know better.
package layup

import (
	"fmt"
	"math"
	"time"

	"ashlamp/rules/telemetry"
)

// Figures of the ladder by days.
const (
	// ShortDays is up to how long a boiler is left with its water as it is (published
	// by a boiler maker, agiwater.com; the same ladder at greenhousemag.com).
	ShortDays = 3
	// FillDays is up to how long it may be left filled right up and closed (the same).
	FillDays = 14
	// OpenDryDays is from how long an open dry rest gives way to one with a drying
	// agent (UFC 3-240-13FN section 3-5.3: 30 to 150 days open, over 150 with).
	OpenDryDays = 150
	// LookDryDays is how often a dry boiler is opened and looked into (UFC
	// 3-240-13FN: every 2 months), LookWetDays how often wet storage is tested (the
	// same: monthly).
	LookDryDays = 61
	LookWetDays = 30
	// LookOpenDays is how often one with its manholes open is (boiler storage data
	// sheet, second-hand).
	LookOpenDays = 14
)

// Plan is what is known of the rest to come.
type Plan struct {
	// Now and Next are the present moment and the date on which the engine is next
	// wanted; a zero Next is not known.
	Now, Next time.Time
	// LowestC is the lowest air temperature to be expected until then, °C; NaN where
	// nobody says.
	LowestC float64
	// FrostC is the air temperature from which frost is reckoned with, °C.
	FrostC float64
}

// Advice is a lay-up with its reason.
type Advice struct {
	// LayUp is empty where nothing is advised.
	LayUp telemetry.LayUp
	// Days until the engine is wanted; NaN where not known.
	Days float64
	Text string
}

// Advise returns which lay-up is advised until the engine is next wanted: with its
// water for daily use, emptied and dry for weeks. Wet storage is never advised of
// itself: it takes treatment and frost-free weeks, which only the owner knows of.
func Advise(p Plan) Advice {
	if p.Next.IsZero() {
		return Advice{Days: math.NaN(), Text: "Say when the engine is next wanted, and a rest can be advised."}
	}
	days := p.Next.Sub(p.Now).Hours() / 24
	a := Advice{Days: days}
	if !(days >= 0) {
		a.Text = "The date lies in the past: say when the engine is next wanted."
		return a
	}
	frost := p.LowestC <= p.FrostC // false where nobody says
	switch {
	case days <= ShortDays && !frost:
		a.LayUp, a.Text = telemetry.Short, fmt.Sprintf("Wanted within %d days: left with its water (ladder of a boiler maker).", ShortDays)
	case days <= ShortDays:
		a.LayUp, a.Text = telemetry.Dry, fmt.Sprintf("Wanted within %d days, but frost is to be expected: emptied, with pumps, injectors, siphons, pipes and tanks, or kept warm.", ShortDays)
	case days <= FillDays && !frost:
		a.LayUp, a.Text = telemetry.Dry, fmt.Sprintf("Wanted in %.0f days: emptied and dry. To %d days it may also be filled right up and closed, if its water is treated and no frost comes.", days, FillDays)
	case days <= OpenDryDays:
		a.LayUp, a.Text = telemetry.Dry, fmt.Sprintf("Wanted in %.0f days: emptied while warm, and dry. Leave it open only where the shed is dry and airy, and look into it every %d days; else close it with a drying agent.", days, LookOpenDays)
	default:
		a.LayUp, a.Text = telemetry.Dry, fmt.Sprintf("Wanted in %.0f days: emptied while warm, dried, closed with a drying agent, and looked into every %d days.", days, LookDryDays)
	}
	if math.IsNaN(p.LowestC) {
		a.Text += " Nobody has said how cold it may get."
	}
	return a
}

// Dampness is how damp the air is where it touches the steel.
type Dampness string

// The bands of relative humidity at the steel (common practice, no source: a reading
// of the sources on critical humidity, which run from 35 to 80 %RH).
const (
	NotKnown Dampness = ""
	Good     Dampness = "good"
	Watch    Dampness = "watch"
	Act      Dampness = "act"
	Wet      Dampness = "wet"
)

// Band returns the band of a relative humidity at the steel in %RH.
func Band(rhAtSteel float64) Dampness {
	switch {
	case !(rhAtSteel >= 0):
		return NotKnown
	case rhAtSteel < 40:
		return Good
	case rhAtSteel < 60:
		return Watch
	case rhAtSteel <= 80:
		return Act
	}
	return Wet
}
