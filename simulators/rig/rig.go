// Package rig is the board's own I2C bus on a simulated engine: the chips of the
// example configuration as registers, and behind them the world's instruments as
// currents, voltages and thermocouple junctions.
package rig

import (
	"fmt"
	"math"
	"sync/atomic"

	"ashlamp/hardware/thermocouple"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
	"ashlamp/simulators/world"
)

// The wiring, which the example configuration describes to the daemon.
const (
	// LoopOhms is the shunt of the 4 to 20 mA loops.
	LoopOhms = 100
	// PressureSpan is the pressure transmitter's full scale in pascal.
	PressureSpan = 16e5
	// HumiditySpan is the humidity transmitter's full scale in %RH.
	HumiditySpan = 100
	// LevelSpan is the full scale of glass and tank.
	LevelSpan = 1
	// supplyVolts feeds the ratiometric transducer of the glass.
	supplyVolts = 5
	// wire is a current in mA that says that the loop is broken.
	wire = 0
)

// Rig is the bus and the instruments on it. Make it with [New].
type Rig struct {
	Bus     *bus.Bus
	world   *world.World
	values  map[telemetry.Channel]*value
	couples map[telemetry.Channel]*chip.MCP960x
}

// value is the newest reading of an instrument, shared with the chips.
type value struct{ bits atomic.Uint64 }

func (v *value) set(x float64) { v.bits.Store(math.Float64bits(x)) }
func (v *value) get() float64  { return math.Float64frombits(v.bits.Load()) }

// New wires a world's instruments to chips on a bus of the given name. The clock
// is the one by which the chips convert.
func New(name string, w *world.World, clock chip.Clock) (*Rig, error) {
	r := &Rig{Bus: bus.New(name), world: w, values: map[telemetry.Channel]*value{}, couples: map[telemetry.Channel]*chip.MCP960x{}}
	for _, c := range world.Channels() {
		r.values[c] = &value{}
	}
	r.Update()
	pins := [4]func() float64{
		r.loop(telemetry.BoilerPressure, PressureSpan),
		r.ratiometric(telemetry.BoilerLevel, LevelSpan),
		r.loop(telemetry.TankLeft, LevelSpan),
		r.loop(telemetry.BoilerHumidity, HumiditySpan),
	}
	if err := r.Bus.Attach(0x48, chip.NewADS1115(clock, pins)); err != nil {
		return nil, fmt.Errorf("put the ADC on the bus: %w", err)
	}
	for i, c := range []telemetry.Channel{
		telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe,
	} {
		v, air := r.values[c], r.values[telemetry.AmbientTemp]
		m := chip.NewMCP9601(clock, chip.Wiring{
			Couple: thermocouple.K, Hot: v.get,
			Cold: func() float64 { return sound(air.get(), 15) },
		})
		r.couples[c] = m
		if err := r.Bus.Attach(uint16(0x60+i), m); err != nil {
			return nil, fmt.Errorf("put a thermocouple converter on the bus: %w", err)
		}
	}
	r.Update()
	return r, nil
}

// Update takes the world's instruments as they read now. The caller sees to it
// that neither the world moves nor a poller reads meanwhile.
func (r *Rig) Update() {
	for c, v := range r.values {
		x, ok := r.world.Value(c)
		if !ok {
			x = math.NaN()
		}
		v.set(sound(x, x))
		if m := r.couples[c]; m != nil {
			m.Open(!ok)
			if !ok {
				v.set(sound(r.values[telemetry.AmbientTemp].get(), 15))
			}
		}
	}
}

func sound(x, otherwise float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return otherwise
	}
	return x
}

// loop is the voltage over the shunt of a 4 to 20 mA transmitter (IEC 60381-1). It
// follows its quantity to the ends that NAMUR NE 43 gives a sound transmitter; an
// instrument that gives no number is a broken wire.
func (r *Rig) loop(c telemetry.Channel, span float64) func() float64 {
	v := r.values[c]
	return func() float64 {
		x := v.get()
		mA := float64(wire)
		if !math.IsNaN(x) {
			mA = math.Min(20.5, math.Max(3.8, 4+16*x/span))
		}
		return mA / 1000 * LoopOhms
	}
}

// ratiometric is the signal of a transducer of 0.5 to 4.5 V; one without a number
// is pulled to ground.
func (r *Rig) ratiometric(c telemetry.Channel, span float64) func() float64 {
	v := r.values[c]
	return func() float64 {
		x := v.get()
		if math.IsNaN(x) {
			return 0
		}
		return supplyVolts * math.Min(0.94, math.Max(0.06, 0.1+0.8*x/span))
	}
}
