package forecast

import "math"

// Places in the state of the estimator: four temperatures, then what the engine is
// like. Names that begin with ln are natural logarithms, so that what they stand for is
// never negative.
const (
	iShell     = iota // °C of water and the metal it wets; of the hottest of the shell once it is empty
	iPlates           // °C of firebox plates and tubes; that of the water while it is there
	iBrick            // °C of brick arch, grate and ash pan
	iSmoke            // °C of the smokebox
	iLnWet            // 1/s, loss of the boiler with its water, at 100 K over the air
	iLnDry            // 1/s, loss of the empty shell
	iLnRadiate        // 1/s, brick to plates, at 600 K
	iLnBrick          // heat capacity of the brick over that of boiler and water
	iLnDraught        // 1/s, brick to the air drawn in, at 300 K over it
	iSees             // share of the brick in what the couple in the firebox reads
	iLnSmoke          // s, in which the smokebox follows the tubes
	iMixed            // share of the shed's air in the smokebox with its door ajar
	iAir              // K, air about the engine over the air measured
	iLnAlong          // 1/s, plates to shell of an empty boiler
	iLnEmpty          // heat capacity of the empty shell over that of boiler and water
	iCouple           // K, by how much the couple in the firebox reads otherwise
	size
)

// temperatures is how many of the state's first places are temperatures.
const temperatures = 4

type vector [size]float64

// Figures of the model. What has no source is common practice of simulated engines:
// the engine's own evenings take its place.
const (
	// zeroC is 0 °C in kelvin.
	zeroC = 273.15
	// radiantRef is the temperature in kelvin at which the radiant exchange is stated.
	radiantRef = 600.0
	// lossExponent: heat lost goes with the excess over the air to 1 plus this. Free
	// convection has 1/4 (Newton's law as Dulong and Petit corrected it, handbooks), a
	// lagged wall nearly 0; between them lies a lagged boiler with a cold draught. Taken
	// as one more figure to be learned it made no forecast better.
	lossExponent = 0.12
	// passed is the share of the firebox's excess over the plates that the smokebox
	// sees at the far end of the tubes.
	passed = 0.08
	// platesShare is the part of an empty boiler's metal that are plates and tubes.
	platesShare = 0.5
	// draughtOnPlates is how much of the draught's cooling of the brick the plates feel.
	draughtOnPlates = 0.5
	// panOpen is how much more air an open ash pan lets in.
	panOpen = 3
	// drawnIn is the share that the air drawn in has in what the firebox couple reads, at
	// the pull of a chimney 300 K over it with the pan shut.
	drawnIn = 0.007
	// wetFollows is the rate in 1/s at which plates follow the water that covers them.
	wetFollows = 1.0 / 40
)

// held is how an engine stands: what its cooling depends on beside the state.
type held struct {
	empty bool // no water that matters is left
	ajar  bool // the smokebox door
	pan   bool // the ash pan's slide is open
	air   float64
}

// rates are what the logarithms of a state stand for: made once for a whole run.
type rates struct{ wet, dry, radiate, brick, draught, smoke, along, empty float64 }

func (x *vector) rates() rates {
	return rates{
		wet: math.Exp(x[iLnWet]), dry: math.Exp(x[iLnDry]), radiate: math.Exp(x[iLnRadiate]), brick: math.Exp(x[iLnBrick]),
		draught: math.Exp(x[iLnDraught]), smoke: math.Exp(-x[iLnSmoke]), along: math.Exp(x[iLnAlong]), empty: math.Exp(x[iLnEmpty]),
	}
}

// step moves a state on by dt seconds. Each exchange is taken implicitly, so that it
// never overshoots however long the step.
func (x *vector) step(h *held, r *rates, dt float64) {
	air := h.air + x[iAir]
	s, p, b := x[iShell], x[iPlates], x[iBrick]

	tb, tp := b+zeroC, p+zeroC
	radiate := r.radiate * (0.1 + 0.9*(tb+tp)*(tb*tb+tp*tp)/(4*radiantRef*radiantRef*radiantRef))
	warm := 0.6*b + 0.4*p - air
	draught := r.draught * h.pull(warm)
	brickOver := r.brick

	// Brick.
	given := implicit(radiate*dt) * (b - p)
	taken := implicit(draught*dt) * (b - air)
	x[iBrick] = b - given - taken

	if !h.empty {
		k := r.wet * excess(s-air)
		x[iShell] = s - implicit(k*dt)*(s-air) + given*brickOver
		x[iPlates] = p + implicit(wetFollows*dt)*(x[iShell]-p)
	} else {
		capacity := r.empty
		k := r.dry * excess(s-air)
		along := implicit(r.along*dt) * (p - s)
		x[iPlates] = p + given*brickOver/(capacity*platesShare) - along - implicit(draughtOnPlates*draught*dt)*(p-air)
		x[iShell] = s + along*platesShare/(1-platesShare) - implicit(k*dt)*(s-air)
	}

	out := x[iPlates]
	if y := x.firebox(h); y > out {
		out += passed * (y - out)
	}
	if h.ajar {
		out += (air - out) * x[iMixed]
	}
	x[iSmoke] += implicit(r.smoke*dt) * (out - x[iSmoke])
}

// pull is the draught of a chimney over that of one 300 K over the air with the ash pan
// shut: its flow goes with the root of the excess, warm in K.
func (h *held) pull(warm float64) float64 {
	if !(warm > 0) {
		return 0
	}
	flow := math.Sqrt(warm / 300)
	if h.pan {
		flow *= panOpen
	}
	return flow
}

// firebox is what the couple there reads, °C: brick and plates as it sees them, and a
// little of the air drawn in past it.
func (x *vector) firebox(h *held) float64 {
	air := h.air + x[iAir]
	y := x[iSees]*x[iBrick] + (1-x[iSees])*x[iPlates]
	return y - drawnIn*h.pull(0.6*x[iBrick]+0.4*x[iPlates]-air)*(y-air) + x[iCouple]
}

func implicit(x float64) float64 { return x / (1 + x) }

// excess is the factor by which the loss of each kelvin changes with the excess d in K
// over the air; 1 at 100 K.
func excess(d float64) float64 {
	if d < 1 {
		d = 1
	}
	return math.Exp(lossExponent * math.Log(d/100))
}
