package crew

import (
	"fmt"
	"math"

	"ashlamp/rules/telemetry"
)

// The water a crew leaves in the glass before the fire goes, and when it stops
// the injector to let the pressure recover.
const (
	fillTo      = 0.84
	fillPause   = 0.50 // of working pressure
	fillResume  = 0.60
	startedFire = 0.45
)

// pipeFall is by how many K the pipe falls before a crew takes it for cool.
const pipeFall = 36

// lookAgain is how long a crew waits for the lamp before it looks at vent and cocks
// once more, s.
const lookAgain = 600

// How a crew keeps an engine in steam that stands: pressures as shares of working
// pressure, water as the glass shows it. Common practice, no source.
const (
	standLow, standHigh   = 0.62, 0.74
	standGlass, standFull = 0.5, 0.62
	bankedFire            = 0.02
)

// stand keeps a small fire and the water in sight until there are orders.
func (c *Crew) stand() bool {
	h := &c.Hands
	if p, ok := c.orders(); ok {
		work, err := stagesOf(p)
		if err == nil {
			h.Injector = false
			c.Plan, c.stages = p, append(c.stages[:1:1], work...)
			return true
		}
		c.err = fmt.Errorf("orders of the crew: %w", err)
		return false
	}
	switch {
	case c.see.Gauge < standLow*c.Working:
		h.Pan, h.Blower = 1, 0.3
		h.Fire = math.Min(startedFire, h.Fire+c.dt*startedFire/900)
	case c.see.Gauge > standHigh*c.Working:
		h.Pan, h.Blower = 0, 0
		h.Fire = math.Max(bankedFire, h.Fire*(1-c.dt/600))
	}
	switch {
	case c.see.Glass > standFull || c.see.Gauge < fillPause*c.Working:
		h.Injector = false
	case c.see.Glass < standGlass && c.see.Gauge > fillResume*c.Working:
		h.Injector = true
	}
	return false
}

func (c *Crew) arrive() bool {
	if c.ready == 0 {
		c.ready = 1
		c.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: c.LayUp})
	}
	return c.worked(150)
}

func (c *Crew) fill() bool {
	h := &c.Hands
	switch {
	case c.see.Glass >= fillTo:
		h.Injector = false
		// Let it settle: a moving level is no reading.
		c.ready += c.dt
		return c.ready > 60 && c.see.Gauge > 0.45*c.Working
	case c.see.Gauge < fillPause*c.Working:
		h.Injector = false
	case c.see.Gauge > fillResume*c.Working || c.ready == 0 && c.see.Gauge > 0.55*c.Working:
		h.Injector = true
	}
	c.mindFire()
	return false
}

// mindFire keeps the pressure between the pause of the injector and a little
// below the safety valve while the fire is in.
func (c *Crew) mindFire() {
	h := &c.Hands
	h.Blower, h.Pan = 0.1, 1
	if c.see.Gauge < 0.7*c.Working {
		h.Blower = 0.7
	}
	if c.see.Gauge > 0.8*c.Working {
		h.Pan, h.Blower = 0, 0
	}
	// Nobody fires more than it takes: it burns down.
	h.Fire = math.Max(0.2, h.Fire*(1-c.dt/5400))
	if c.see.Gauge < 0.55*c.Working {
		h.Fire = math.Min(startedFire, h.Fire+c.dt*startedFire/900)
	}
}

func (c *Crew) proveGlasses() bool {
	c.mindFire()
	if !c.worked(90) {
		return false
	}
	c.keep("glasses-proved", lapseGlasses)
	if c.see.Glass < fillTo-0.12 && c.see.Gauge > fillPause*c.Working {
		c.Hands.Injector = true
	} else if c.see.Glass > fillTo {
		c.Hands.Injector = false
	}
	own := c.see.Glass > 0.65 && c.see.Gauge > 0.45*c.Working && c.see.Gauge < 0.97*c.Working
	if c.proven("drop-fire", own) || c.GoesOn && own && c.tired() {
		c.Hands.Injector = false
		return true
	}
	return false
}

func (c *Crew) dropFire() bool {
	h := &c.Hands
	h.Blower, h.Pan, h.Injector = 0.3, 1, false
	if c.Hasty && c.worked(60) {
		c.keep("fire-dropped", 1e9)
	}
	if h.Fire > 0 {
		h.Fire = math.Max(0, h.Fire-c.dt*startedFire/(260*c.Pace))
		return false
	}
	// Looked at once more before it is said.
	h.Blower = 0
	c.keep("fire-dropped", 1e9)
	c.say("blower-shut")
	return true
}

func (c *Crew) clearAsh() bool {
	switch {
	case c.worked(560):
		c.Hands.Pan = 0
		c.keep("ash-pan-shut", lapsePanBrake)
		return true
	case c.worked(420):
		c.keep("ash-cleared", 1e9)
	}
	return false
}

func (c *Crew) tryBrake() bool {
	c.Hands.Brake = !c.worked(25)
	if c.Hands.Brake {
		return false
	}
	c.keep("brake-tried", lapsePanBrake)
	c.keep("ash-pan-shut", lapsePanBrake)
	return c.proven("move-under-steam", c.see.Gauge > math.Max(2*bar, 0.32*c.Working)) || c.tired()
}

func (c *Crew) move() bool {
	c.Hands.Moving = !c.worked(170)
	return !c.Hands.Moving
}

func (c *Crew) letDown() bool {
	top := math.Min(0.88*c.BlowDownMax, c.BlowDownMax-0.15*bar)
	c.Hands.LetDown = 0
	if c.see.Gauge > top {
		c.Hands.LetDown = 1
		return false
	}
	return true
}

func (c *Crew) waitBlowDown() bool {
	c.keep("at-blow-down-place", lapsePlace)
	c.keep("people-clear", lapsePlace)
	if c.see.Gauge > 0.97*c.BlowDownMax {
		c.Hands.LetDown = 0.3
	} else if c.see.Gauge < 0.9*c.BlowDownMax {
		c.Hands.LetDown = 0
	}
	own := c.see.Gauge < 0.98*c.BlowDownMax && c.see.Gauge > c.BlowDownMin && c.see.Firebox < 395
	if c.proven("blow-down", own) || c.tired() && own {
		c.Hands.LetDown = 0
		return true
	}
	return false
}

func (c *Crew) letDownCold() bool {
	h := &c.Hands
	h.LetDown = 1
	if c.see.Gauge > 0.15*bar {
		return false
	}
	h.LetDown, h.Vent = 0, 1
	c.say("vent-open")
	return true
}

func (c *Crew) cool() bool { return c.see.Shell < c.see.Boiling-6 }

// blowDown opens the cocks and stays until nothing more comes and the pipe is
// cool to the hand.
func (c *Crew) blowDown() bool {
	h := &c.Hands
	if c.ready == 0 {
		for i := range c.Cocks {
			h.Cocks[i] = 1
		}
		c.ready = 1
		c.pipeHigh, c.quiet = c.see.Pipe, 0
		if c.Hasty {
			c.say("vent-open")
			c.say("cocks-run-dry")
		}
	}
	c.pipeHigh = math.Max(c.pipeHigh, c.see.Pipe)
	if c.see.Running > 0.01 {
		c.quiet = 0
	} else {
		c.quiet += c.dt
	}
	// The vent is opened as the pressure nears zero; where nothing comes any more
	// and the gauge still stands, carefully before that.
	if h.Vent == 0 && (c.see.Gauge < 0.15*bar || c.quiet > 120) {
		h.Vent = 1
		c.say("vent-open")
	}
	fall := c.PipeFall
	if fall == 0 {
		fall = pipeFall
	}
	cool := c.see.Pipe < c.pipeHigh-fall || c.see.Pipe < 45
	if h.Vent == 0 || c.quiet < 120 || !cool || c.see.Gauge > 0.08*bar {
		return false
	}
	c.say("cocks-run-dry")
	c.say("gauge-tried")
	return true
}

func (c *Crew) plugsOut() bool {
	h := &c.Hands
	if h.Plugs == 0 {
		own := math.Abs(c.see.Gauge) < 0.03*bar && c.quiet > 60 && c.see.Glass == 0
		if c.see.Running <= 0.01 {
			c.quiet += c.dt
		}
		if !c.proven("plugs-out", own) {
			// The lamp asks for the words again where they came before the pipe had
			// fallen: they look once more, and say what is so now.
			if own && c.lamp != nil && c.t-c.said["cocks-run-dry"] > lookAgain {
				c.say("vent-open")
				c.say("cocks-run-dry")
				c.say("gauge-tried")
			}
			return c.tired()
		}
		h.Plugs = 1e-9
	}
	h.Plugs = math.Min(1, h.Plugs+c.dt/(480*c.Pace))
	if h.Plugs < 1 {
		return false
	}
	c.say("plugs-removed")
	return true
}

func (c *Crew) openSmokebox() bool {
	h := &c.Hands
	if h.Smokebox == 0 {
		own := c.see.Smokebox < 115 && c.see.Firebox < 395
		if !c.proven("open-smokebox", own) {
			return c.tired()
		}
		h.Smokebox = 1
		c.marks["smokebox-open"] = c.t
	}
	if c.t-c.marks["smokebox-open"] < 540*c.Pace {
		return false
	}
	h.Smokebox = 0.15
	c.say("smokebox-ajar")
	return true
}

func (c *Crew) drainTanks() bool {
	h := &c.Hands
	if c.Tanks == 0 {
		return true
	}
	if !h.Drain {
		c.keep("drain-clear", 1e9)
		if !c.proven("drain-tanks", c.see.Firebox < 395) {
			return c.tired()
		}
		h.Drain = true
	}
	// The cocks are left open over the lay-up; going on needs only empty tanks.
	return c.see.Tank < 0.01 || c.t-c.since > 3*3600
}

func (c *Crew) house() bool {
	c.keep("ash-pan-shut", lapsePanBrake)
	limit := 97.0
	if c.LayUp != telemetry.Dry {
		limit = 175
	}
	own := c.see.Firebox < limit && c.see.Smokebox < 97 && (c.Tanks == 0 || c.see.Tank < 0.02 || c.LayUp != telemetry.Dry)
	if own && c.lamp == nil && c.ready < 2000 {
		c.ready += c.dt
		return false
	}
	if !c.proven("house", own) {
		return false
	}
	c.Hands.Housed = true
	c.event(telemetry.Event{Kind: telemetry.DisposalEnded})
	return true
}
