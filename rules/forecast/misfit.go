package forecast

// misfits are fitted by least pinball loss to simulated evenings of other seeds than
// those by which the skill is told (simulators/skill -fit).
var misfits = [...]map[Target]misfit{
	wet: {
		SteamToMove:  {0.7, 0.002, 8},
		PressureZero: {1.25, 0, 12},
		BelowBoiling: {1.5, 0, 15},
		FireboxCool:  {0.8, 0.065, 15},
		House:        {1.1, 0.05, 15},
	},
	runs: {
		PressureZero: {0.9, 0.45, 15},
		BelowBoiling: {1.35, 0.45, 60},
		FireboxCool:  {1, 0.3, 60},
		House:        {1, 0.3, 60},
	},
	dry: {
		BelowBoiling: {1, 0.06, 20},
		FireboxCool:  {0.75, 0.01, 14},
		House:        {0.75, 0.01, 14},
	},
}
