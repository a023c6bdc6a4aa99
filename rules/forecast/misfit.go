package forecast

// misfits are fitted by least pinball loss to simulated evenings of other seeds than
// those by which the skill is told (simulators/skill -fit), and rounded.
var misfits = [...]map[Target]misfit{
	wet: {
		SteamToMove:  {0.65, 0.002, 7},
		PressureZero: {1.15, 0, 10},
		BelowBoiling: {1.5, 0, 12},
		FireboxCool:  {0.85, 0.015, 10},
		House:        {0.88, 0.01, 8},
	},
	runs: {
		PressureZero: {1.2, 0.25, 22},
		BelowBoiling: {1.35, 0.3, 60},
		FireboxCool:  {1, 0.3, 60},
		House:        {1, 0.3, 60},
	},
	dry: {
		BelowBoiling: {0.95, 0, 18},
		FireboxCool:  {0.7, 0, 9},
		House:        {0.7, 0, 9},
	},
}
