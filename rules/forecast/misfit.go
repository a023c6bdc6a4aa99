package forecast

// misfits are fitted by least pinball loss to simulated evenings of other seeds than
// those by which the skill is told (simulators/skill -fit), and rounded.
var misfits = [...]map[Target]misfit{
	wet: {
		SteamToMove:  {0.8, 0.002, 8},
		PressureZero: {1.2, 0, 12},
		BelowBoiling: {1.5, 0, 12},
		FireboxCool:  {0.9, 0.02, 12},
		House:        {0.95, 0.012, 9},
	},
	runs: {
		PressureZero: {1.2, 0.16, 13},
		BelowBoiling: {1.35, 0.3, 60},
		FireboxCool:  {1, 0.3, 60},
		House:        {1, 0.3, 60},
	},
	dry: {
		BelowBoiling: {0.95, 0, 18},
		FireboxCool:  {0.75, 0, 11},
		House:        {0.77, 0, 11},
	},
}
