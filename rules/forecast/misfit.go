package forecast

// misfits are fitted by maximum likelihood to simulated evenings of other seeds than
// those by which the skill is told (simulators/skill -fit).
var misfits = [3]map[Target]misfit{
	wet: {
		SteamToMove:  {1, 0.02, 20},
		PressureZero: {1, 0.01, 20},
		BelowBoiling: {1, 0.01, 20},
		FireboxCool:  {1, 0.04, 40},
		House:        {1, 0.04, 40},
	},
	runs: {
		PressureZero: {1, 0.2, 15},
		BelowBoiling: {1, 0.2, 60},
		FireboxCool:  {1, 0.2, 60},
		House:        {1, 0.2, 60},
	},
	dry: {
		BelowBoiling: {1, 0.04, 30},
		FireboxCool:  {1, 0.04, 30},
		House:        {1, 0.04, 30},
	},
}
