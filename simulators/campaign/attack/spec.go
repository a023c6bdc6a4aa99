package attack

import (
	"math"

	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// Spec is what the owner of a simulated engine would write into the configuration:
// the class of its instruments and how often they are read, not the errors that
// each has.
func Spec(e world.Engine, i node.Intervals) engine.Engine {
	working, volume := e.Plan.Working/bar, e.Boiler.Volume*1000
	out := engine.Engine{
		ID: e.ID, WorkingPressure: working, BoilerVolume: volume, Tanks: e.Tanks.Count, BlowDownPipe: true,
		LayUp: e.Plan.LayUp, EmptiedBy: engine.EmptiedBy(e.Plan.EmptiedBy), Altitude: e.Altitude,
		Limits:   limit.Defaults(working, volume),
		Channels: map[telemetry.Channel]engine.Channel{},
	}
	out.Limits[limit.BlowDownMin] = e.Plan.BlowDownMin / bar
	out.Limits[limit.BlowDownMax] = e.Plan.BlowDownMax / bar
	area := 0.0
	for _, bore := range e.Boiler.Cocks {
		area += bore * bore
	}
	out.Limits[limit.BlowDownBore] = 1000 * math.Sqrt(area)
	for place, c := range world.Channels() {
		if c == telemetry.TankLeft && e.Tanks.Count < 1 || c == telemetry.TankRight && e.Tanks.Count < 2 {
			continue
		}
		out.Channels[c] = engine.Channel{
			ID: c, Uncertainty: uncertainty(c, e.Sensors[place].High), Low: math.NaN(), High: math.NaN(),
			Interval: interval(c, i),
		}
	}
	return out
}

// uncertainty is the expanded uncertainty (k = 2) that the class of an instrument
// gives, in the channel's unit.
func uncertainty(c telemetry.Channel, high float64) float64 {
	switch unit, _ := telemetry.UnitOf(c); {
	case c == telemetry.AmbientPressure:
		return 300
	case unit == telemetry.Pascal:
		return math.Min(10000, math.Max(4000, 0.004*high))
	case c == telemetry.AmbientTemp:
		return 1
	case c == telemetry.AmbientCO:
		return 3e-6
	case c == telemetry.BoilerLevel:
		return 0.025
	case unit == telemetry.Ratio:
		return 0.02
	case unit == telemetry.Humidity:
		return 4
	}
	return 2.5
}

// interval is how often a channel is read, in seconds.
func interval(c telemetry.Channel, i node.Intervals) float64 {
	switch c {
	case telemetry.BoilerPressure, telemetry.BoilerLevel:
		return i.Pressure.Seconds()
	case telemetry.TankLeft, telemetry.TankRight:
		return i.Tank.Seconds()
	}
	if c.OfShed() {
		return i.Shed.Seconds()
	}
	return i.Temperature.Seconds()
}
