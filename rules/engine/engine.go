// Package engine says what one locomotive is and what is measured on it: all
// that the judgement knows before the first sample.
package engine

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// EmptiedBy is how the owner has decided that a boiler counts as holding nothing
// that could boil.
type EmptiedBy string

const (
	// Cold: every shell channel below the boiling point here.
	Cold EmptiedBy = "cold"
	// Empty: the boiler was seen to run empty through its cocks.
	Empty EmptiedBy = "empty"
)

// Channel says how well one channel is measured.
type Channel struct {
	ID telemetry.Channel
	// Uncertainty is the expanded uncertainty (coverage factor 2, JCGM 100) in the
	// channel's unit.
	Uncertainty float64
	// Low and High are the instrument's range in the channel's unit; NaN where not stated.
	Low, High float64
	// Absolute is true for a pressure channel that measures against vacuum.
	Absolute bool
	// Interval is the time between samples in seconds as declared; 0 where not stated.
	Interval float64
}

// Engine is one locomotive. The configuration builds it and fills the defaults.
type Engine struct {
	ID, Name string
	// WorkingPressure in bar, gauge.
	WorkingPressure float64
	// BoilerVolume in litre: water and steam together.
	BoilerVolume float64
	// Tanks is 0, 1 or 2.
	Tanks int
	// BlowDownPipe is false for an engine without blow-down cocks.
	BlowDownPipe bool
	LayUp        telemetry.LayUp
	EmptiedBy    EmptiedBy
	// Altitude of the shed in metre above sea level.
	Altitude float64
	// Zone is the shed's time zone, for times in sentences; UTC if nil.
	Zone     *time.Location
	Channels map[telemetry.Channel]Channel
	Limits   limit.Set
	// ByWord names, for an evidence that is not measured, the confirmation that
	// stands in its place.
	ByWord map[string]string
}

// DefaultUncertainty returns the expanded uncertainty taken for a channel whose
// configuration states none, in the channel's unit; high is the upper end of its
// range, NaN if not stated.
//
// Thermocouples: IEC 60584-1 class 2, 2.5 K (and 0.75 % above 333 °C, which
// [Channel.U] adds). Pressure: 0.5 % of range, 0.08 bar where no range is stated
// (typical of such transducers, from memory). The rest: common practice, no source.
func DefaultUncertainty(c telemetry.Channel, high float64) float64 {
	u, _ := telemetry.UnitOf(c)
	switch {
	case c == telemetry.AmbientPressure:
		return 300
	case u == telemetry.Pascal:
		if high > 0 {
			return 0.005 * high
		}
		return 8000
	case c == telemetry.AmbientTemp:
		return 1
	case u == telemetry.Celsius:
		return 2.5
	case c == telemetry.BoilerLevel:
		return 0.03
	case c == telemetry.AmbientCO:
		return 3e-6
	case u == telemetry.Ratio:
		return 0.015
	case u == telemetry.Humidity:
		return 3
	}
	return math.NaN()
}

// U returns the expanded uncertainty at a value, in the channel's unit. Above
// 333 °C a thermocouple's is at least 0.75 % of the value (IEC 60584-1 class 2).
func (c Channel) U(value float64) float64 {
	if u, _ := telemetry.UnitOf(c.ID); u == telemetry.Celsius && value > 333 {
		return math.Max(c.Uncertainty, 0.0075*value)
	}
	return c.Uncertainty
}

// Channel returns the declaration of a channel, or one with default uncertainty
// where the configuration has none.
func (e Engine) Channel(id telemetry.Channel) Channel {
	if c, ok := e.Channels[id]; ok {
		return c
	}
	return Channel{ID: id, Uncertainty: DefaultUncertainty(id, math.NaN()), Low: math.NaN(), High: math.NaN()}
}

// Declared reports whether the configuration says that the channel is measured.
func (e Engine) Declared(id telemetry.Channel) bool {
	_, ok := e.Channels[id]
	return ok
}

// Fresh returns how old, in seconds, a sample of the channel may be and still
// count: the limit of its kind, never under three of its declared intervals.
func (e Engine) Fresh(id telemetry.Channel) float64 {
	if strings.HasPrefix(string(id), telemetry.BatteryPrefix) {
		return math.Max(BatteryFreshS, 3*e.Channel(id).Interval)
	}
	return math.Max(e.Limits.At(FreshKey(id)), 3*e.Channel(id).Interval)
}

// BatteryFreshS is how old, in seconds, what a battery said of itself may be: nodes send
// it now and then, and it runs down over weeks. Common practice, no source.
const BatteryFreshS = 24 * 3600

// FreshKey returns the limit by which samples of a channel grow stale.
func FreshKey(id telemetry.Channel) limit.Key {
	switch u, _ := telemetry.UnitOf(id); {
	case id.OfShed(), id == telemetry.BoilerHumidity:
		return limit.FreshShed
	case u == telemetry.Pascal:
		return limit.FreshPressure
	case id == telemetry.TankLeft, id == telemetry.TankRight:
		return limit.FreshTank
	}
	return limit.FreshTemperature
}

// Fault is something wrong with an engine's declaration. Key names the
// configuration key to look at, so that a reader of the file can be sent there.
type Fault struct {
	Key  string
	Text string
}

func (f Fault) Error() string { return f.Text }

// Check returns what is wrong with the engine as declared, worst first; empty
// when nothing is.
func (e Engine) Check() []Fault {
	var out []Fault
	add := func(key, format string, args ...any) {
		out = append(out, Fault{key, fmt.Sprintf(format, args...)})
	}
	if !(e.WorkingPressure >= 0.5 && e.WorkingPressure <= 40) {
		add("working_pressure_bar", "working_pressure_bar = %g is outside 0.5 to 40 bar; write the pressure on the boiler's plate, gauge", e.WorkingPressure)
	}
	if !(e.BoilerVolume >= 5 && e.BoilerVolume <= 20000) {
		add("boiler_volume_l", "boiler_volume_l = %g is outside 5 to 20000 L; write the volume of water and steam together", e.BoilerVolume)
	}
	if e.Tanks < 0 || e.Tanks > 2 {
		add("tanks", "tanks = %d is not 0, 1 or 2", e.Tanks)
	}
	switch e.LayUp {
	case telemetry.Short, telemetry.Dry, telemetry.Wet:
	default:
		add("lay_up", "lay_up = %q is not known; use \"short\", \"dry\" or \"wet\"", e.LayUp)
	}
	switch e.EmptiedBy {
	case Cold, Empty:
	default:
		add("emptied_by", "emptied_by = %q is not known; use \"cold\" or \"empty\"", e.EmptiedBy)
	}
	if e.EmptiedBy == Empty && !e.BlowDownPipe {
		add("emptied_by", "emptied_by = \"empty\" needs a blow-down pipe to be seen running; use \"cold\", or set blow_down_pipe = true")
	}
	keys := make([]string, 0, len(e.Limits))
	for k := range e.Limits {
		keys = append(keys, string(k))
	}
	sort.Strings(keys)
	for _, k := range keys {
		if err := limit.Check(limit.Key(k), e.Limits[limit.Key(k)]); err != nil {
			add("limits."+k, "%s", err)
		}
	}
	pair := func(lo, hi limit.Key) {
		if e.Limits.At(lo) >= e.Limits.At(hi) {
			add("limits."+string(lo), "%s = %g is not below %s = %g; nothing could ever be between them", lo, e.Limits.At(lo), hi, e.Limits.At(hi))
		}
	}
	pair(limit.DropMin, limit.DropMax)
	pair(limit.BlowDownMin, limit.BlowDownMax)
	ids := make([]string, 0, len(e.Channels))
	for id := range e.Channels {
		ids = append(ids, string(id))
	}
	sort.Strings(ids)
	for _, id := range ids {
		e.checkChannel(e.Channels[telemetry.Channel(id)], add)
	}
	_, zero := e.ByWord["pressure-zero"]
	_, boil := e.ByWord["nothing-left-to-boil"]
	if zero && boil {
		add("by_word", "pressure-zero and nothing-left-to-boil may not both be by word: one of them must be measured")
	}
	return out
}

func (e Engine) checkChannel(c Channel, add func(key, format string, args ...any)) {
	key := "channel." + string(c.ID)
	unit, known := telemetry.UnitOf(c.ID)
	if !known {
		return
	}
	switch {
	case !(c.Uncertainty > 0) || math.IsInf(c.Uncertainty, 0):
		add(key+".uncertainty", "channel %s: uncertainty = %g must be above 0 %s", c.ID, c.Uncertainty, unit)
	case unit == telemetry.Pascal && c.Uncertainty < 10:
		add(key+".uncertainty", "channel %s: uncertainty = %g Pa is finer than any transducer for a boiler; it is in pascal, or write \"0.04 bar\"", c.ID, c.Uncertainty)
	}
	if c.Low >= c.High {
		add(key+".range", "channel %s: range [%g, %g] is empty; write the lower end first", c.ID, c.Low, c.High)
	}
	if c.Absolute && unit != telemetry.Pascal {
		add(key+".reference", "channel %s: reference is for pressure channels only; delete it", c.ID)
	}
	if c.Interval < 0 {
		add(key+".interval_s", "channel %s: interval_s = %g must not be below 0", c.ID, c.Interval)
	}
	if c.ID == telemetry.BoilerPressure {
		if zb := e.Limits.At(limit.ZeroBand); zb*1e5 < c.Uncertainty {
			add("limits.zero_band_bar", "zero_band_bar = %g is narrower than the transducer's uncertainty of %g bar: it could never be proven; widen it or fit a finer transducer", zb, c.Uncertainty/1e5)
		}
	}
}

// Shell returns the declared shell channels in order of name.
func (e Engine) Shell() []telemetry.Channel {
	var out []telemetry.Channel
	for id := range e.Channels {
		if strings.HasPrefix(string(id), "boiler.shell.") {
			out = append(out, id)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i] < out[j] })
	return out
}
