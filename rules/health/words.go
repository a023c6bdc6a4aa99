package health

import (
	"fmt"
	"strings"

	"ashlamp/rules/telemetry"
)

// show writes a value as people read it, size a difference.
func (c *channel) show(v float64) string { return c.format(v) }

func (c *channel) size(v float64) string {
	if unit, _ := telemetry.UnitOf(c.id); unit == telemetry.Celsius {
		return fmt.Sprintf("%.1f K", v)
	}
	return c.format(v)
}

func (c *channel) format(v float64) string {
	unit, ok := telemetry.UnitOf(c.id)
	switch {
	case c.id == telemetry.AmbientPressure:
		return fmt.Sprintf("%.1f hPa", v/100)
	case c.id == telemetry.AmbientCO:
		return fmt.Sprintf("%.0f ppm", v*1e6)
	case unit == telemetry.Pascal || strings.HasPrefix(string(c.id), "boiler.pressure"):
		return fmt.Sprintf("%.2f bar", v/1e5)
	case unit == telemetry.Celsius || strings.HasPrefix(string(c.id), "boiler.shell."):
		return fmt.Sprintf("%.0f °C", v)
	case unit == telemetry.Humidity:
		return fmt.Sprintf("%.0f %%RH", v)
	case ok:
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%g", v)
}

// name is what a channel is called in a sentence.
func name(id telemetry.Channel) string {
	switch id {
	case telemetry.BoilerPressure:
		return "boiler pressure"
	case telemetry.ShellTop:
		return "top of the shell"
	case telemetry.ShellBottom:
		return "bottom of the shell"
	case telemetry.BoilerLevel:
		return "gauge glass"
	case telemetry.BoilerHumidity:
		return "air in the barrel"
	case telemetry.BlowdownPipe:
		return "blow-down pipe"
	case telemetry.TankLeft:
		return "left tank"
	case telemetry.TankRight:
		return "right tank"
	case telemetry.AmbientTemp:
		return "air temperature"
	case telemetry.AmbientHumidity:
		return "air humidity"
	case telemetry.AmbientPressure:
		return "barometer"
	case telemetry.AmbientCO:
		return "carbon monoxide"
	}
	return string(id)
}

const fromPartner = "its partners say another number"

func (c *channel) sentence(k Kind) string {
	n, w := name(c.id), c.words[k]
	n = strings.ToUpper(n[:1]) + n[1:]
	switch k {
	case Stale:
		return n + ": no sample comes. Look at its node, plug and cable."
	case NoSignal:
		return n + ": the sensor gives no number (" + w + "). Look at its cable and plug."
	case OutOfRange:
		return n + ": reads " + w + ", which there cannot be. Look at its wiring, and at the range and unit in the configuration."
	case Spikes:
		return n + ": single readings jump. Look for a loose plug or a cable beside something that switches."
	case Jumped:
		return n + ": jumped " + w + ", faster than it can. Look at the sensor and what is beside it."
	case Noisy:
		return n + ": scatters " + w + ", more than its uncertainty. Look at its shield, earth and supply."
	case Coarse:
		return n + ": moves only in " + w + ", more than its uncertainty. Set its range or its uncertainty right."
	case Frozen:
		return n + ": has not changed " + w + ". Look at the sensor, its cock and its pipe."
	case Detached:
		return n + ": " + w + ". See whether the couple sits tight on its metal."
	case Disagrees:
		return n + ": " + w + ". Compare it with a gauge or another sensor."
	case Drifting:
		return n + ": " + w + ", and did not at first. Have it calibrated."
	case OtherUnit:
		return n + ": its numbers look like those of another unit (" + w + "). Set the unit in the node or the configuration."
	}
	return n + ": " + w
}
