package trend

import (
	"ashlamp/rules/cooldown"
)

// Quantity is a figure of a cooldown that should stay as it is from evening to evening,
// and what it tells if it does not.
type Quantity struct {
	// ID names it; Title is what it is in a few words, Unit its unit.
	ID, Title, Unit string
	// Least is the least change that is told: a part of what it was before, or for one
	// that may be about zero, Absolute, a difference in Unit.
	Least    float64
	Absolute bool
	// Of returns the figure of one disposal; false where it is not known.
	Of func(cooldown.Summary) (float64, bool)
	// digits after the decimal point, in sentences
	digits int
	// what is said where it is more or less than before, with room for how much; the same
	// of a drift
	more, less         string
	moreEach, lessEach string
	// what is asked then
	askMore, askLess string
}

const mended = "was it mended, or a sensor changed?"

// The quantities' ids.
const (
	HeatLoss        = "heat-loss"
	WithPressure    = "heat-loss-with-pressure"
	FallAt100K      = "fall-at-100k"
	ShellConstant   = "shell-time-constant"
	FireboxConstant = "firebox-time-constant"
	PressureLag     = "pressure-lag"
	TankDrain       = "tank-drain"
)

// The least changes that are told, as parts of what it was before; that of the lag in s.
const (
	leastOfLoss    = 0.10
	leastOfFirebox = 0.15
	leastOfDrain   = 0.25
	leastLagS      = 10
)

// Quantities returns what is looked at, in the order in which it is told. The least
// changes are common practice, no source: less than evenings of wind and rain differ by
// says nothing of the engine.
func Quantities() []Quantity {
	rate := func(of func(cooldown.Summary) *cooldown.Rate) func(cooldown.Summary) (float64, bool) {
		return func(s cooldown.Summary) (float64, bool) {
			if r := of(s); r != nil {
				return r.Value, true
			}
			return 0, false
		}
	}
	return []Quantity{
		{
			ID: WithPressure, Title: "heat loss above half the working pressure over that below", Unit: "", Least: leastOfLoss, digits: 2,
			Of: func(s cooldown.Summary) (float64, bool) {
				if s.HeatLossHigh == nil || s.HeatLossLow == nil || !(s.HeatLossLow.Value > 0) {
					return 0, false
				}
				return s.HeatLossHigh.Value / s.HeatLossLow.Value, true
			},
			more:     "the pressure falls %s faster at high pressure, beside low, than before",
			less:     "the pressure falls %s more slowly at high pressure, beside low, than before",
			moreEach: "the pressure falls %s faster at high pressure, beside low, with each year",
			lessEach: "the pressure falls %s more slowly at high pressure, beside low, with each year",
			askMore:  "does a cock or the safety valve pass steam?", askLess: mended,
		},
		{
			ID: HeatLoss, Title: "heat loss of the shut boiler", Unit: "per hour", Least: leastOfLoss, digits: 3,
			Of:   rate(func(s cooldown.Summary) *cooldown.Rate { return s.HeatLoss }),
			more: "the boiler loses heat %s faster than before", less: "the boiler loses heat %s more slowly than before",
			moreEach: "the boiler loses heat %s faster with each year", lessEach: "the boiler loses heat %s more slowly with each year",
			askMore: "is the lagging damaged or wet?", askLess: mended,
		},
		{
			ID: ShellConstant, Title: "time constant of the emptied shell", Unit: "h", Least: leastOfLoss, digits: 1,
			Of:   rate(func(s cooldown.Summary) *cooldown.Rate { return s.ShellTimeConstant }),
			more: "the empty shell takes %s longer to cool than before", less: "the empty shell takes %s less time to cool than before",
			moreEach: "the empty shell takes %s longer to cool with each year", lessEach: "the empty shell takes %s less time to cool with each year",
			askMore: mended, askLess: "is the lagging damaged or wet, or are more doors and plugs left open?",
		},
		{
			ID: FallAt100K, Title: "fall of the saturation temperature at 100 K above the air", Unit: "K/h", Least: leastOfLoss, digits: 1,
			Of:   rate(func(s cooldown.Summary) *cooldown.Rate { return s.FallAt100K }),
			more: "the shut boiler falls %s faster than before", less: "the shut boiler falls %s more slowly than before",
			moreEach: "the shut boiler falls %s faster with each year", lessEach: "the shut boiler falls %s more slowly with each year",
			askMore: "is the lagging damaged or wet, or does a cock or valve pass?", askLess: mended,
		},
		{
			ID: FireboxConstant, Title: "time constant of the firebox over the shell", Unit: "h", Least: leastOfFirebox, digits: 2,
			Of:   rate(func(s cooldown.Summary) *cooldown.Rate { return s.FireboxTimeConstant }),
			more: "the firebox takes %s longer to come down to the water than before", less: "the firebox takes %s less time to come down to the water than before",
			moreEach: "the firebox takes %s longer to come down to the water with each year",
			lessEach: "the firebox takes %s less time to come down to the water with each year",
			askMore:  "is there scale on its plates, more brick in it, or does its couple follow slowly?", askLess: mended,
		},
		{
			ID: PressureLag, Title: "by how much the pressure follows the shell late", Unit: "s", Least: leastLagS, Absolute: true, digits: 0,
			Of:   rate(func(s cooldown.Summary) *cooldown.Rate { return s.PressureLag }),
			more: "the pressure follows the shell %s later than before", less: "the pressure follows the shell %s earlier than before",
			moreEach: "the pressure follows the shell %s later with each year", lessEach: "the pressure follows the shell %s earlier with each year",
			askMore: "is the transducer slow, or its pipe partly blocked?", askLess: "does the couple on the shell follow slowly, or lie loose?",
		},
		{
			ID: TankDrain, Title: "time in which the tanks drain", Unit: "s", Least: leastOfDrain, digits: 0,
			Of: func(s cooldown.Summary) (float64, bool) {
				if s.TankDrainS == nil {
					return 0, false
				}
				return *s.TankDrainS, true
			},
			more: "the tanks take %s longer to drain than before", less: "the tanks take %s less time to drain than before",
			moreEach: "the tanks take %s longer to drain with each year", lessEach: "the tanks take %s less time to drain with each year",
			askMore: "is a strainer or the drain choked?", askLess: mended,
		},
	}
}
