package attack

// step is the place of a step of the rules in this package's tables.
type step int

const (
	dropFire step = iota
	moveUnderSteam
	blowDown
	plugsOut
	openSmokebox
	drainTanks
	reachIn
	house
	sealDry
	steps
)

// String is the step's id.
func (s step) String() string {
	switch s {
	case dropFire:
		return "drop-fire"
	case moveUnderSteam:
		return "move-under-steam"
	case blowDown:
		return "blow-down"
	case plugsOut:
		return "plugs-out"
	case openSmokebox:
		return "open-smokebox"
	case drainTanks:
		return "drain-tanks"
	case reachIn:
		return "reach-in"
	case house:
		return "house"
	case sealDry:
		return "seal-dry"
	}
	return "no step"
}

// stepOf returns the step of an id, false for one that is none of the evening's.
func stepOf(id string) (step, bool) {
	for s := range steps {
		if s.String() == id {
			return s, true
		}
	}
	return steps, false
}

// holdMost is the longest of them.
const holdMost = 600

// holdS is the longest time in s for which an evidence of the step asks to have been
// inside its limit: zero pressure and a falling fire 5 min, tanks 10 min, steam to
// move a fall watched over 5 min, other limits 2 min.
func (s step) holdS() float64 {
	switch s {
	case dropFire:
		return 120
	case house:
		return holdMost
	}
	return 300
}

// graceS is for how long a step may stand proven after what it promises has ended.
func (s step) graceS() float64 {
	if s == plugsOut {
		return PlugsGraceS
	}
	return GraceS
}

// StepName is the id of the i-th of [Result.Steps].
func StepName(i int) string { return step(i).String() }
