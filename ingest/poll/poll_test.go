package poll_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/hardware"
	"ashlamp/hardware/ads1115"
	"ashlamp/hardware/mcp9600"
	"ashlamp/hardware/thermocouple"
	"ashlamp/hardware/transducer"
	"ashlamp/ingest"
	"ashlamp/ingest/poll"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

// wall is the clock of the machine, which synctest makes a simulated one.
type wall struct{}

func (wall) Now() time.Time { return time.Now() }

func (wall) Wait(ctx context.Context, until time.Time) error {
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// coarse is a clock that moves in steps, as one that runs faster than the day may.
type coarse struct {
	wall
	step time.Duration
}

func (c coarse) Now() time.Time { return time.Now().Truncate(c.step) }

func (c coarse) Wait(ctx context.Context, until time.Time) error {
	for c.Now().Before(until) {
		if err := c.wall.Wait(ctx, c.Now().Add(c.step)); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// sink keeps what it was offered.
type sink struct {
	mu      sync.Mutex
	batches []ingest.Batch
	block   chan struct{} // while not nil, offers of engine Marrow wait for it
	err     error
}

func (s *sink) Offer(ctx context.Context, b ingest.Batch) error {
	if s.block != nil && b.Engine == "marrow" {
		select {
		case <-s.block:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	s.batches = append(s.batches, b)
	return nil
}

func (s *sink) of(engine string, id telemetry.Channel) (out []telemetry.Sample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.batches {
		for _, x := range b.Samples {
			if b.Engine == engine && x.Channel == id {
				out = append(out, x)
			}
		}
	}
	return out
}

// world is what the chips measure.
type world struct {
	firebox, cabinet atomic.Uint64 // °C, as bits
	milliAmps        atomic.Uint64
	bus              *bus.Bus
	couple           *chip.MCP960x
}

func set(a *atomic.Uint64, v float64) { a.Store(math.Float64bits(v)) }
func get(a *atomic.Uint64) float64    { return math.Float64frombits(a.Load()) }

const (
	pressureAddr = 0x48
	coupleAddr   = 0x60
)

func newWorld(t testing.TB) *world { return newWorldOn(t, wall{}) }

func newWorldOn(t testing.TB, clock chip.Clock) *world {
	t.Helper()
	w := &world{bus: bus.New("simulated")}
	set(&w.firebox, 640)
	set(&w.cabinet, 22)
	set(&w.milliAmps, 12)
	w.couple = chip.NewMCP9601(clock, chip.Wiring{
		Couple: thermocouple.K,
		Hot:    func() float64 { return get(&w.firebox) },
		Cold:   func() float64 { return get(&w.cabinet) },
	})
	adc := chip.NewADS1115(clock, [4]func() float64{
		func() float64 { return get(&w.milliAmps) / 1000 * 100 }, // a shunt of 100 Ω
		func() float64 { return 2.5 },                            // half of 5 V
		func() float64 { return 5 },
	})
	for addr, c := range map[uint16]bus.Chip{coupleAddr: w.couple, pressureAddr: adc} {
		if err := w.bus.Attach(addr, c); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

func config(t testing.TB) poll.Config {
	t.Helper()
	bar16 := transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005}
	loop, err := transducer.NewLoop(transducer.LoopSettings{Scale: bar16, ShuntOhms: 100, ShuntTolerance: 0.001})
	if err != nil {
		t.Fatal(err)
	}
	glass, err := transducer.NewRatiometric(transducer.RatiometricSettings{
		Scale:       transducer.Scale{Span: transducer.Span{Low: 0, High: 1}, Error: 0.01},
		SupplyVolts: 5, SignalDivider: 1, SupplyDivider: 1,
	})
	if err != nil {
		t.Fatal(err)
	}
	return poll.Config{
		Node: "board",
		Rate: ads1115.PerSecond128,
		Channels: []poll.Channel{
			{Engine: "quillet", ID: telemetry.BoilerPressure, Address: pressureAddr, Every: time.Second,
				Input: poll.Loop{Pin: poll.Pin{Input: ads1115.Pin0, Range: ads1115.Volts4096}, Transducer: loop}},
			{Engine: "marrow", ID: telemetry.BoilerLevel, Address: pressureAddr, Every: 5 * time.Second,
				Input: poll.Ratiometric{Pin: poll.Pin{Input: ads1115.Pin1}, Supply: &poll.Pin{Input: ads1115.Pin2}, Transducer: glass}},
			{Engine: "quillet", ID: telemetry.Firebox, Address: coupleAddr, Every: 5 * time.Second,
				Input: poll.Thermocouple{Settings: mcp9600.Settings{Couple: thermocouple.K}}},
			{ID: telemetry.AmbientTemp, Address: coupleAddr, Every: 30 * time.Second, Input: poll.ColdJunction{}},
		},
	}
}

func start(t *testing.T, w *world, s *sink, log io.Writer) (stop func() error) {
	t.Helper()
	p, err := poll.New(config(t), w.bus, wall{}, s, slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	return func() error { cancel(); return <-done }
}

func TestEachChannelAtItsInterval(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, s := newWorld(t), &sink{}
		begin := time.Now()
		stop := start(t, w, s, io.Discard)
		time.Sleep(60*time.Second + 500*time.Millisecond)
		if err := stop(); err != nil {
			t.Fatalf("Run: %v, want nil when its context ends", err)
		}
		for _, c := range []struct {
			engine string
			id     telemetry.Channel
			n      int
			every  time.Duration
			want   float64
			within float64
		}{
			{"quillet", telemetry.BoilerPressure, 61, time.Second, 8e5, 100},
			{"marrow", telemetry.BoilerLevel, 13, 5 * time.Second, 0.5, 1e-3},
			{"quillet", telemetry.Firebox, 13, 5 * time.Second, 640, 0.2},
			{"", telemetry.AmbientTemp, 3, 30 * time.Second, 22, 0.1},
		} {
			got := s.of(c.engine, c.id)
			if len(got) != c.n {
				t.Errorf("%s %s: %d samples in 60 s, want %d", c.engine, c.id, len(got), c.n)
				continue
			}
			for i, x := range got {
				if x.Quality != telemetry.Good || math.Abs(x.Value-c.want) > c.within || x.Reason != "" {
					t.Errorf("%s %s: %+v, want %v, good", c.engine, c.id, x, c.want)
				}
				// The sample's time is when it was read: after its conversion.
				due := begin.Add(time.Duration(i) * c.every)
				if late := x.At.Sub(due); late < 0 || late > 1500*time.Millisecond {
					t.Errorf("%s %s: sample %d is %v after it was due", c.engine, c.id, i, late)
				}
				if !x.At.Equal(x.At.Truncate(telemetry.Resolution)) || x.At.Location() != time.UTC {
					t.Errorf("%s %s: time %v is not UTC in whole microseconds", c.engine, c.id, x.At)
				}
			}
		}
		for _, b := range s.batches {
			if b.Node != "board" || b.Received.IsZero() || len(b.Samples) == 0 {
				t.Errorf("batch %+v, want node, time of receipt and samples", b)
			}
			for _, x := range b.Samples {
				if x.Channel.OfShed() != (b.Engine == "") {
					t.Errorf("sample of %s in a batch of engine %q", x.Channel, b.Engine)
				}
			}
		}
	})
}

// On a clock that moves by whole seconds each wait for a conversion takes one: rounds
// are left out, and every sample is good all the same and never older than its wait.
func TestAClockOfWholeSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := coarse{step: time.Second}
		w, s := newWorldOn(t, clock), &sink{}
		p, err := poll.New(config(t), w.bus, clock, s, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 120*time.Second)
		defer cancel()
		if err := p.Run(ctx); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			engine string
			id     telemetry.Channel
			gap    time.Duration
		}{
			{"quillet", telemetry.BoilerPressure, 5 * time.Second},
			{"marrow", telemetry.BoilerLevel, 8 * time.Second},
			{"quillet", telemetry.Firebox, 8 * time.Second},
			{"", telemetry.AmbientTemp, 33 * time.Second},
		} {
			got := s.of(c.engine, c.id)
			if len(got) < 3 {
				t.Errorf("%s %s: %d samples in 120 s", c.engine, c.id, len(got))
			}
			for i, x := range got {
				if x.Quality != telemetry.Good {
					t.Errorf("%s %s: %+v, want good", c.engine, c.id, x)
				}
				if i > 0 && (x.At.Sub(got[i-1].At) > c.gap || !x.At.After(got[i-1].At)) {
					t.Errorf("%s %s: %v after the sample before, want up to %v", c.engine, c.id, x.At.Sub(got[i-1].At), c.gap)
				}
			}
		}
	})
}

func TestEveryFaultIsABadSampleWithItsReason(t *testing.T) {
	for _, c := range []struct {
		name   string
		wreck  func(*world)
		engine string
		id     telemetry.Channel
		want   telemetry.Quality
		reason hardware.Reason
	}{
		{"loop broken", func(w *world) { set(&w.milliAmps, 0) }, "quillet", telemetry.BoilerPressure, telemetry.Bad, hardware.LoopLow},
		{"loop at 3.6 mA", func(w *world) { set(&w.milliAmps, 3.59) }, "quillet", telemetry.BoilerPressure, telemetry.Bad, hardware.LoopLow},
		{"loop saturated low", func(w *world) { set(&w.milliAmps, 3.7) }, "quillet", telemetry.BoilerPressure, telemetry.Uncertain, hardware.LoopSaturatedLow},
		{"loop saturated high", func(w *world) { set(&w.milliAmps, 20.7) }, "quillet", telemetry.BoilerPressure, telemetry.Uncertain, hardware.LoopSaturatedHigh},
		{"loop failed high", func(w *world) { set(&w.milliAmps, 21.5) }, "quillet", telemetry.BoilerPressure, telemetry.Bad, hardware.LoopHigh},
		{"loop far over the range", func(w *world) { set(&w.milliAmps, 45) }, "quillet", telemetry.BoilerPressure, telemetry.Bad, hardware.InputOverrange},
		{"couple open", func(w *world) { w.couple.Open(true) }, "quillet", telemetry.Firebox, telemetry.Bad, hardware.OpenThermocouple},
		{"couple shorted", func(w *world) { w.couple.Short(true) }, "quillet", telemetry.Firebox, telemetry.Bad, hardware.ShortedThermocouple},
		{"chip stopped", func(w *world) { w.couple.Halt(true) }, "quillet", telemetry.Firebox, telemetry.Bad, hardware.NotReady},
		{"chip unplugged", func(w *world) { w.bus.Unplug(coupleAddr, true) }, "quillet", telemetry.Firebox, telemetry.Bad, hardware.BusError},
		{"bus stuck", func(w *world) { w.bus.Stick(true) }, "marrow", telemetry.BoilerLevel, telemetry.Bad, hardware.BusError},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, s := newWorld(t), &sink{}
				stop := start(t, w, s, io.Discard)
				time.Sleep(12 * time.Second)
				c.wreck(w)
				time.Sleep(12 * time.Second)
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				got := s.of(c.engine, c.id)
				last := got[len(got)-1]
				if last.Quality != c.want || last.Reason != c.reason.String() {
					t.Fatalf("last sample %+v, want %v because %q", last, c.want, c.reason)
				}
				if math.IsNaN(last.Value) != (c.want == telemetry.Bad) {
					t.Fatalf("last sample %+v: a bad sample has no number, an uncertain one has", last)
				}
				if got[0].Quality != telemetry.Good {
					t.Fatalf("first sample %+v, want good before the fault", got[0])
				}
			})
		})
	}
}

func TestADeadChipHoldsUpNobodyAndIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, s := newWorld(t), &sink{}
		var log bytes.Buffer
		stop := start(t, w, s, &log)
		time.Sleep(10*time.Second + 500*time.Millisecond)
		w.bus.Unplug(coupleAddr, true)
		time.Sleep(60 * time.Second)
		w.bus.Unplug(coupleAddr, false)
		time.Sleep(10 * time.Second)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if n := len(s.of("quillet", telemetry.BoilerPressure)); n != 81 {
			t.Errorf("%d pressure samples in 80 s, want 81: one a second all through", n)
		}
		fire := s.of("quillet", telemetry.Firebox)
		var words []string
		for _, x := range fire {
			words = append(words, x.Quality.String())
		}
		got, want := strings.Join(words, " "), "good good good"+strings.Repeat(" bad", 12)+" good good"
		if got != want {
			t.Errorf("firebox: %s\nwant     %s", got, want)
		}
		// The firebox is lost and comes back; the shed's temperature, read at 30 and 60 s,
		// is lost and not read again before the end.
		if lost, back := strings.Count(log.String(), "channel lost"), strings.Count(log.String(), "channel good again"); lost != 2 || back != 1 {
			t.Errorf("told %d times lost and %d times back, want 2 and 1, each change once:\n%s", lost, back, log.String())
		}
	})
}

func TestASlowStoreLeavesRoundsOutInsteadOfQueueingThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, s := newWorld(t), &sink{block: make(chan struct{})}
		stop := start(t, w, s, io.Discard)
		time.Sleep(30*time.Second + 500*time.Millisecond)
		close(s.block)
		time.Sleep(10 * time.Second)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		// The level's batch blocked its chip: the pressure on the same chip pauses, too,
		// and then goes on at its own beat.
		got := s.of("quillet", telemetry.BoilerPressure)
		if len(got) < 10 || len(got) > 12 {
			t.Errorf("%d pressure samples, want one before and ten after 30 s of a full store", len(got))
		}
		for i := 2; i < len(got); i++ {
			if d := got[i].At.Sub(got[i-1].At); d < 500*time.Millisecond {
				t.Errorf("samples %d and %d are %v apart: missed rounds were made up for", i-1, i, d)
			}
		}
		// Another chip is not held up.
		if n := len(s.of("quillet", telemetry.Firebox)); n != 9 {
			t.Errorf("%d firebox samples in 40 s, want 9", n)
		}
	})
}

func TestRunEndsWithTheSinksError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, s := newWorld(t), &sink{err: errors.New("store is closed")}
		p, err := poll.New(config(t), w.bus, wall{}, s, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		if err := p.Run(t.Context()); !errors.Is(err, s.err) {
			t.Fatalf("Run: %v, want %v", err, s.err)
		}
	})
}

func TestACancelledReadingIsNoSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, s := newWorld(t), &sink{}
		w.couple.Halt(true) // the first reading waits more than a second
		stop := start(t, w, s, io.Discard)
		time.Sleep(300 * time.Millisecond)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := s.of("quillet", telemetry.Firebox); len(got) != 0 {
			t.Fatalf("a reading that was cancelled gave %+v", got)
		}
	})
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*poll.Config)
		want   string
	}{
		{"nothing wrong", func(*poll.Config) {}, ""},
		{"no node", func(c *poll.Config) { c.Node = "" }, "node name"},
		{"no id", func(c *poll.Config) { c.Channels[0].ID = "" }, "no id"},
		{"bound twice", func(c *poll.Config) { c.Channels[2].ID = telemetry.BoilerPressure }, "bound twice"},
		{"shed's channel with an engine", func(c *poll.Config) { c.Channels[3].Engine = "quillet" }, "ambient"},
		{"engine's channel without", func(c *poll.Config) { c.Channels[0].Engine = "" }, "ambient"},
		{"interval too short", func(c *poll.Config) { c.Channels[0].Every = poll.MinEvery - 1 }, "interval"},
		{"interval not given", func(c *poll.Config) { c.Channels[0].Every = 0 }, "interval"},
		{"no input", func(c *poll.Config) { c.Channels[0].Input = nil }, "no input"},
		{"two thermocouples on one chip", func(c *poll.Config) { c.Channels[3].Input = c.Channels[2].Input }, "each chip has one"},
		{"two kinds on one address", func(c *poll.Config) { c.Channels[3].Address = pressureAddr }, "one address is one chip"},
		{"address of no such chip", func(c *poll.Config) { c.Channels[2].Address, c.Channels[3].Address = 0x50, 0x50 }, "0x60 to 0x67"},
		{"range too small for the fault current", func(c *poll.Config) {
			in := c.Channels[0].Input.(poll.Loop)
			in.Range = ads1115.Volts2048
			c.Channels[0].Input = in
		}, "wider range"},
		{"no transducer", func(c *poll.Config) { c.Channels[0].Input = poll.Loop{} }, "no transducer"},
		{"supply neither measured nor declared", func(c *poll.Config) {
			in := c.Channels[1].Input.(poll.Ratiometric)
			in.Supply = nil
			c.Channels[1].Input = in
		}, "neither measured nor declared"},
		{"no such pin", func(c *poll.Config) {
			c.Channels[1].Input = poll.Voltage{Pin: poll.Pin{Input: 9}, Transducer: &transducer.Voltage{}}
		}, "does not exist"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			cfg := config(t)
			c.change(&cfg)
			p, err := poll.New(cfg, w.bus, wall{}, &sink{}, slog.New(slog.DiscardHandler))
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Fatalf("New: %v, want one that says %q", err, c.want)
			}
			if (p == nil) != (err != nil) {
				t.Fatalf("New gave %v with %v", p, err)
			}
			if n := w.bus.Transactions(pressureAddr) + w.bus.Transactions(coupleAddr); n != 0 {
				t.Fatalf("New made %d transactions, want 0", n)
			}
		})
	}
}

// jump is a clock for one goroutine: waiting moves it on at once.
type jump struct {
	at   time.Time
	stop context.CancelFunc
	end  time.Time
}

func (c *jump) Now() time.Time { return c.at }
func (c *jump) Wait(ctx context.Context, until time.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if until.After(c.at) {
		c.at = until
	}
	if !c.at.Before(c.end) {
		c.stop()
	}
	return nil
}

// BenchmarkSample is one channel's sample through a simulated chip, beside the same
// four transactions with that chip and nothing else.
func BenchmarkSample(b *testing.B) {
	loop, err := transducer.NewLoop(transducer.LoopSettings{
		Scale:     transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005},
		ShuntOhms: 100, ShuntTolerance: 0.001,
	})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("poller", func(b *testing.B) {
		ctx, cancel := context.WithCancel(b.Context())
		begin := time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
		clock := &jump{at: begin, stop: cancel, end: begin.Add(time.Duration(b.N) * time.Second)}
		wires := bus.New("simulated")
		if err := wires.Attach(0x48, chip.NewADS1115(clock, [4]func() float64{func() float64 { return 1.2 }})); err != nil {
			b.Fatal(err)
		}
		p, err := poll.New(poll.Config{Node: "board", Channels: []poll.Channel{{
			Engine: "quillet", ID: telemetry.BoilerPressure, Address: 0x48, Every: time.Second,
			Input: poll.Loop{Pin: poll.Pin{Input: ads1115.Pin0, Range: ads1115.Volts4096}, Transducer: loop},
		}}}, wires, clock, counter{}, slog.New(slog.DiscardHandler))
		if err != nil {
			b.Fatal(err)
		}
		b.ReportAllocs()
		b.ResetTimer()
		if err := p.Run(ctx); err != nil {
			b.Fatal(err)
		}
	})
	b.Run("transactions alone", func(b *testing.B) {
		clock := &jump{at: time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)}
		wires := bus.New("simulated")
		if err := wires.Attach(0x48, chip.NewADS1115(clock, [4]func() float64{func() float64 { return 1.2 }})); err != nil {
			b.Fatal(err)
		}
		start, config, conversion, r := []byte{1, 0xC3, 0x03}, []byte{1}, []byte{0}, make([]byte, 2)
		b.ReportAllocs()
		for b.Loop() {
			err := wires.Tx(0x48, start, nil)
			clock.at = clock.at.Add(time.Second)
			for _, w := range [][]byte{config, conversion, conversion} {
				err = errors.Join(err, wires.Tx(0x48, w, r))
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	})
}

type counter struct{}

func (counter) Offer(context.Context, ingest.Batch) error { return nil }

// printer is a store that prints.
type printer struct{}

func (printer) Offer(_ context.Context, b ingest.Batch) error {
	for _, x := range b.Samples {
		fmt.Printf("%s %s %.2f bar, %v %q\n", x.At.Format("15:04:05.000"), x.Channel, x.Value/1e5, x.Quality, x.Reason)
	}
	return nil
}

// A transmitter's wire breaks while the poller runs.
func ExamplePoller_Run() {
	ctx, cancel := context.WithCancel(context.Background())
	begin := time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)
	clock := &jump{at: begin, stop: cancel, end: begin.Add(3 * time.Second)}
	current := func() float64 { // mA
		if clock.at.Sub(begin) > 1500*time.Millisecond {
			return 0
		}
		return 7.2
	}
	wires := bus.New("simulated")
	if err := wires.Attach(0x48, chip.NewADS1115(clock, [4]func() float64{func() float64 { return current() / 1000 * 100 }})); err != nil {
		fmt.Println(err)
		return
	}
	loop, err := transducer.NewLoop(transducer.LoopSettings{
		Scale:     transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005},
		ShuntOhms: 100, ShuntTolerance: 0.001,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := poll.New(poll.Config{
		Node: "board",
		Channels: []poll.Channel{{
			Engine: "quillet", ID: telemetry.BoilerPressure, Address: 0x48, Every: time.Second,
			Input: poll.Loop{Pin: poll.Pin{Input: ads1115.Pin0, Range: ads1115.Volts4096}, Transducer: loop},
		}},
	}, wires, clock, printer{}, slog.New(slog.DiscardHandler))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p.Run(ctx))
	// Output:
	// 17:00:00.137 boiler.pressure 3.20 bar, good ""
	// 17:00:01.137 boiler.pressure 3.20 bar, good ""
	// 17:00:02.137 boiler.pressure NaN bar, bad "loop current at or below 3.6 mA"
	// <nil>
}

func ExampleNew() {
	loop, err := transducer.NewLoop(transducer.LoopSettings{
		Scale:     transducer.Scale{Span: transducer.Span{Low: 0, High: 16e5}, Error: 0.005},
		ShuntOhms: 100, ShuntTolerance: 0.001,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	_, err = poll.New(poll.Config{
		Node: "board",
		Channels: []poll.Channel{{
			Engine: "quillet", ID: telemetry.BoilerPressure, Address: 0x48, Every: time.Second,
			Input: poll.Loop{Pin: poll.Pin{Input: ads1115.Pin0, Range: ads1115.Volts2048}, Transducer: loop},
		}},
	}, bus.New("simulated"), wall{}, counter{}, slog.New(slog.DiscardHandler))
	fmt.Println(err)
	// Output: quillet boiler.pressure: the shunt gives 2.100 V at 21 mA, beyond ±2.048 V; use a wider range or a smaller shunt
}
