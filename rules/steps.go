package rules

import (
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
)

// Step declares a thing that the crew is about to do.
type Step struct {
	ID    string
	Title string
	// Needs are the evidence that must all be proven.
	Needs []evidence.Declaration
	// AtRest replaces Needs where the engine is left with its water (lay-up short
	// or wet); empty where it makes no difference.
	AtRest []evidence.Declaration
	// Deed is the confirmation by which the crew says that it has been done; empty
	// where samples or another word show it.
	Deed string
	// InOrder is true for a step of the evening's work itself, false for one that
	// is done when someone wants to.
	InOrder bool
	// Emptying is true for a step that only an engine to be emptied goes through.
	Emptying bool
	// Has reports whether an engine has what the step is about; nil for always.
	Has func(engine.Engine) bool
}

// Steps returns the steps of the contract in working order.
func Steps() []Step {
	word := evidence.Word
	return []Step{
		{
			ID: "drop-fire", Title: "Drop the fire", InOrder: true, Deed: "fire-dropped",
			Needs: []evidence.Declaration{evidence.WaterToDrop(), word("glasses-proved"), evidence.PressureInRange()},
		},
		{
			ID: "move-under-steam", Title: "Move in steam", InOrder: true, Deed: "at-blow-down-place",
			Needs: []evidence.Declaration{evidence.SteamToMove(), word("ash-pan-shut"), word("brake-tried")},
		},
		{
			ID: "blow-down", Title: "Blow down", InOrder: true, Emptying: true,
			Has:   func(e engine.Engine) bool { return e.BlowDownPipe },
			Needs: []evidence.Declaration{evidence.FireOut(), evidence.PressureToBlowDown(), word("at-blow-down-place"), word("people-clear")},
		},
		{
			ID: "plugs-out", Title: "Plugs out", InOrder: true, Emptying: true, Deed: "plugs-removed",
			Needs: []evidence.Declaration{evidence.PressureZero(), evidence.NothingLeftToBoil(), word("vent-open"), evidence.CocksRunDry()},
		},
		{
			ID: "open-smokebox", Title: "Open smokebox", InOrder: true, Emptying: true, Deed: "smokebox-ajar",
			Needs: []evidence.Declaration{evidence.FireOut(), evidence.SmokeboxCoolToOpen(), word("blower-shut")},
		},
		{
			ID: "drain-tanks", Title: "Drain tanks", InOrder: true, Emptying: true,
			Has:   func(e engine.Engine) bool { return e.Tanks > 0 },
			Needs: []evidence.Declaration{evidence.FireOut(), word("drain-clear")},
		},
		{
			ID: "reach-in", Title: "Reach in",
			Needs: []evidence.Declaration{evidence.FireOut(), evidence.FireboxTouchable(), evidence.SmokeboxTouchable(), evidence.PressureZero()},
		},
		{
			ID: "house", Title: "House", InOrder: true,
			Needs: []evidence.Declaration{
				evidence.FireboxCool(), evidence.SmokeboxCool(), evidence.PressureZero(), evidence.NothingLeftToBoil(),
				evidence.TanksEmpty(), word("ash-cleared"), word("ash-pan-shut"), word("smokebox-ajar"), evidence.AirClear(),
			},
			AtRest: []evidence.Declaration{
				evidence.FireOut(), evidence.FireboxCool(), evidence.SmokeboxCool(), evidence.WaterToRest(),
				evidence.PressureFalling(), word("ash-cleared"), word("ash-pan-shut"), evidence.AirClear(),
			},
		},
		{
			ID: "seal-dry", Title: "Seal dry",
			Needs: []evidence.Declaration{word("plugs-removed"), evidence.BarrelDry()},
		},
	}
}
