package setup

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/daemon/config/edit"
	"ashlamp/dashboard/message"
	"ashlamp/ingest"
	"ashlamp/ingest/topic"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/world"

	"github.com/pelletier/go-toml/v2"
)

// Setup implements [api.Setup].
func (s *Setup) Setup(ctx context.Context) (message.Setup, error) {
	s.mu.Lock()
	text, c, missing, trouble := s.text, s.config, s.missing, s.trouble
	s.mu.Unlock()
	out := message.Setup{
		File:   message.SetupFile{Path: s.o.Path, Exists: c != nil, Hash: hashOf(text), Text: string(text), Missing: faults(missing)},
		Daemon: message.SetupDaemon{State: "set-up", Trouble: trouble, Now: s.o.Clock.Now().UTC()},
		Nodes:  s.ear.Nodes(taken(c)), Refused: s.ear.Refused(),
		Known: known(), Limits: limits(), Evidence: borne(), Faults: world.Faults(),
		Rehearsal: s.rehearsing.view(),
	}
	switch {
	case s.super.Starting():
		out.Daemon.State = "starting"
	case s.app.Load() != nil:
		out.Daemon.State = "running"
	}
	if disk, err := read(s.o.Path); err == nil && string(disk) != string(text) && (c != nil || disk != nil) {
		out.File.Changed = true
		if _, err := config.Parse(s.name(), disk); err != nil {
			fs, _ := err.(config.Faults)
			out.File.Wrong = faults(fs)
		}
	}
	s.viewShed(&out, text, c)
	out.Buses, out.Troubles = s.scanning.look(ctx, s.o.Machine, c)
	if c != nil && c.Broker.URL != "" {
		out.Troubles = append(out.Troubles, "With a broker of your own only this shed's topics and the mapped ones are heard. A node that sends elsewhere is not seen here; look at the broker.")
	}
	return out, nil
}

func faults(fs config.Faults) []message.SetupFault {
	var out []message.SetupFault
	for _, f := range fs {
		out = append(out, message.SetupFault{Line: f.Line, Text: f.Text})
	}
	return out
}

// draft is what a text that cannot be run yet says of the shed.
type draft struct {
	Shed struct {
		ID        string   `toml:"id"`
		Name      string   `toml:"name"`
		Timezone  string   `toml:"timezone"`
		AltitudeM float64  `toml:"altitude_m"`
		SkewS     *float64 `toml:"skew_s"`
		People    []string `toml:"people"`
	} `toml:"shed"`
	HTTP struct {
		Listen string `toml:"listen"`
	} `toml:"http"`
}

func (s *Setup) viewShed(out *message.Setup, text []byte, c *config.Config) {
	out.Doors.Addresses = addresses()
	if c == nil {
		var d draft
		_ = toml.Unmarshal(text, &d) // it was read before
		out.Shed = message.SetupShed{
			ID: d.Shed.ID, Name: d.Shed.Name, Timezone: cmp.Or(d.Shed.Timezone, "UTC"), AltitudeM: d.Shed.AltitudeM,
			SkewS: config.DefaultSkew.Seconds(), People: d.Shed.People,
		}
		if d.Shed.SkewS != nil {
			out.Shed.SkewS = *d.Shed.SkewS
		}
		at := doorsOf(text)
		out.Doors.Page, out.Doors.Listen, out.Doors.Broker = cmp.Or(d.HTTP.Listen, config.DefaultListen), at.listen, at.broker
		return
	}
	out.Shed = message.SetupShed{
		ID: c.Shed.ID, Name: c.Shed.Name, Timezone: c.Shed.Timezone, AltitudeM: c.Shed.AltitudeM,
		SkewS: c.Shed.Skew.Seconds(), People: c.Shed.People,
	}
	out.Doors.Page, out.Doors.Listen, out.Doors.Broker = c.Listen, c.Broker.Listen, c.Broker.URL
	d, err := edit.Parse(text)
	if err != nil {
		return
	}
	out.Channels = s.channels(d, c, "", "shed.channel")
	for i, e := range c.Engines {
		out.Engines = append(out.Engines, s.engine(d, c, e, edit.At("engine", i)))
	}
}

func (s *Setup) engine(d *edit.Document, c *config.Config, e engine.Engine, at string) message.SetupEngine {
	out := message.SetupEngine{
		ID: e.ID, Name: e.Name, WorkingPressureBar: e.WorkingPressure, BoilerVolumeL: e.BoilerVolume,
		Tanks: e.Tanks, BlowDownPipe: e.BlowDownPipe, LayUp: e.LayUp, EmptiedBy: string(e.EmptiedBy),
		Limits: map[string]float64{}, Defaults: map[string]float64{}, ByWord: maps.Clone(e.ByWord),
		Channels: s.channels(d, c, e.ID, edit.Join(at, "channel")), Wants: wants(e),
	}
	defaults := limit.Defaults(e.WorkingPressure, e.BoilerVolume)
	for _, l := range limit.Table() {
		if v, ok := e.Limits[l.Key]; ok && d.Has(edit.Join(at, "limits", string(l.Key))) {
			out.Limits[string(l.Key)] = v
		}
		if v, ok := defaults[l.Key]; ok {
			out.Defaults[string(l.Key)] = v
		}
	}
	return out
}

// channels are those that stand in the text at a place, in its order.
func (s *Setup) channels(d *edit.Document, c *config.Config, engineID, list string) []message.SetupChannel {
	var out []message.SetupChannel
	for i := range d.Len(list) {
		id, ok := d.TextAt(edit.Join(edit.At(list, i), "id"))
		if !ok {
			continue
		}
		ch, ok := channelOf(c, engineID, telemetry.Channel(id))
		if !ok {
			continue
		}
		out = append(out, s.channel(c, engineID, ch))
	}
	return out
}

// orNull is nil for what is not a number.
func orNull(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (s *Setup) channel(c *config.Config, engineID string, ch engine.Channel) message.SetupChannel {
	owner := engineID
	if ch.ID.OfShed() {
		owner = ""
	}
	out := message.SetupChannel{
		ID: ch.ID, Uncertainty: orNull(ch.Uncertainty), Low: orNull(ch.Low), High: orNull(ch.High),
		Absolute: ch.Absolute, IntervalS: ch.Interval, Source: "contract",
	}
	out.Unit, _ = telemetry.UnitOf(ch.ID)
	for _, m := range c.Mapped {
		if m.Engine == owner && m.Channel == ch.ID {
			scale, offset := m.Scale, m.Offset
			out.Source, out.Mapped = "mapped", &message.SetupMapped{
				Topic: m.Filter, Pointer: m.Pointer, Unit: m.Unit, Scale: &scale, Offset: &offset, Node: m.Node,
			}
		}
	}
	for _, w := range c.Wired {
		if w.Engine == owner && w.Channel == ch.ID {
			out.Source, out.Wired = "wired", wired(w)
		}
	}
	if out.Source == "contract" {
		t := topic.Topic{Kind: topic.EngineSamples, Shed: c.Shed.ID, Engine: engineID}
		if owner == "" {
			t = topic.Topic{Kind: topic.ShedSamples, Shed: c.Shed.ID}
		}
		out.Topic = t.String()
	}
	out.Reading = s.readingOf(c.Engines, engineID, ch.ID)
	if k, ok := c.Calibration(owner, ch.ID); ok {
		v := viewCalibration(k)
		out.Calibration = &v
	}
	out.Hindrance = hindrance(ch, out.Wired)
	out.Calibratable = out.Hindrance == ""
	return out
}

func wired(w config.Wired) *message.SetupWired {
	every := w.Every.Seconds()
	out := &message.SetupWired{Bus: w.Bus, Chip: w.Chip, Address: int(w.Address), Couple: w.Couple, Signal: w.Signal, EveryS: &every}
	switch {
	case w.Chip == "ads1115":
		input := w.Input
		out.Input = &input
		if w.Signal == "loop" {
			out.ShuntOhm = orNull(w.ShuntOhm)
		} else {
			out.SupplyV = orNull(w.SupplyV)
		}
	case w.Bias:
		out.Open = "bias"
	default:
		out.Open = "chip"
	}
	return out
}

// hindrance says why zero and span of a channel cannot be set; empty where they can.
func hindrance(ch engine.Channel, w *message.SetupWired) string {
	switch {
	case w != nil && w.Chip != "ads1115":
		return "A thermocouple converter has neither zero nor span to set; state the couple's class as its uncertainty."
	case !(ch.Low < ch.High):
		return "Give the instrument's range first, both ends of it."
	}
	return ""
}

func viewCalibration(k config.Calibration) message.SetupCalibration {
	out := message.SetupCalibration{
		At: k.At.UTC(), By: k.By, Reference: k.Reference, Zero: k.Line.Zero, Gain: k.Line.Gain,
		UncertaintyLow: k.Expanded(k.Low), UncertaintyHigh: k.Expanded(k.High),
	}
	if x, ok := k.Zero(); ok {
		out.UncertaintyZero = orNull(k.Expanded(x))
	}
	for _, p := range k.Points {
		v := k.Line.Apply(p.Reading)
		one := message.SetupPoint{Reading: p.Reading, Value: v, Reference: p.Reference, Uncertainty: p.Uncertainty, Residual: p.Reference - v}
		if !p.At.IsZero() {
			at := p.At.UTC()
			one.At = &at
		}
		out.Points = append(out.Points, one)
	}
	return out
}

// taken tells whether a configuration has a channel for what came on a topic.
func taken(c *config.Config) func(shed, engineID string, id telemetry.Channel) bool {
	return func(shed, engineID string, id telemetry.Channel) bool {
		if c == nil || shed != "" && shed != c.Shed.ID {
			return false
		}
		_, ok := channelOf(c, engineID, id)
		return ok
	}
}

func known() []message.SetupKnown {
	var out []message.SetupKnown
	for _, id := range world.Channels() { // the contract's, in its order
		unit, _ := telemetry.UnitOf(id)
		low, high, _ := ingest.Bounds(id)
		out = append(out, message.SetupKnown{
			ID: id, Unit: unit, OfShed: id.OfShed(), Uncertainty: engine.DefaultUncertainty(id, math.NaN()), Low: low, High: high,
		})
	}
	return out
}

func limits() []message.SetupLimit {
	usual := limit.Defaults(10, 400) // any: which keys have a default does not depend on it
	var out []message.SetupLimit
	for _, l := range limit.Table() {
		_, has := usual[l.Key]
		if l.Key == limit.ZeroBand {
			has = true // it follows from the transducer
		}
		out = append(out, message.SetupLimit{
			Key: string(l.Key), Unit: l.Unit, Min: l.Min, Max: l.Max, Meaning: l.Meaning, Source: l.Source, Owner: !has,
		})
	}
	return out
}

func borne() []message.SetupEvidence {
	var out []message.SetupEvidence
	for _, d := range evidence.Table() {
		if !slices.ContainsFunc(out, func(e message.SetupEvidence) bool { return e.ID == d.ID }) {
			out = append(out, message.SetupEvidence{ID: d.ID, Title: d.Title})
		}
	}
	return out
}

// wants are the channels that no step can be proven without and that are not
// configured. What stands by word wants none.
func wants(e engine.Engine) []message.SetupWant {
	steps := map[telemetry.Channel][]string{}
	for _, st := range rules.Steps() {
		if st.Has != nil && !st.Has(e) || st.Emptying && e.LayUp != telemetry.Dry {
			continue
		}
		needs := st.Needs
		if len(st.AtRest) > 0 && e.LayUp != telemetry.Dry {
			needs = st.AtRest
		}
		for _, d := range needs {
			if _, word := e.ByWord[d.ID]; word {
				continue
			}
			for _, id := range needed(e, d) {
				if !e.Declared(id) && !slices.Contains(steps[id], st.ID) {
					steps[id] = append(steps[id], st.ID)
				}
			}
		}
	}
	var out []message.SetupWant
	for _, id := range world.Channels() {
		if of := steps[id]; len(of) > 0 {
			out = append(out, message.SetupWant{Channel: id, Steps: of})
		}
	}
	return out
}

// needed are the channels without which an evidence of this engine cannot be judged.
func needed(e engine.Engine, d evidence.Declaration) []telemetry.Channel {
	switch d.ID {
	case "air-clear":
		return nil // only where it is measured
	case "pressure-zero":
		return []telemetry.Channel{telemetry.BoilerPressure}
	case "nothing-left-to-boil":
		if e.EmptiedBy == engine.Empty {
			return []telemetry.Channel{telemetry.BlowdownPipe, telemetry.BoilerLevel}
		}
		if len(e.Shell()) > 0 {
			return nil
		}
		return []telemetry.Channel{telemetry.ShellTop}
	case "tanks-empty":
		return []telemetry.Channel{telemetry.TankLeft, telemetry.TankRight}[:min(e.Tanks, 2)]
	}
	return d.Needs
}

// addresses are those of this machine in its networks.
func addresses() []string {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil // the page then names none
	}
	var out []string
	for _, a := range all {
		if ip, ok := a.(*net.IPNet); ok && !ip.IP.IsLoopback() && !ip.IP.IsLinkLocalUnicast() {
			out = append(out, ip.IP.String())
		}
	}
	// Those that a person can type first.
	slices.SortStableFunc(out, func(a, b string) int { return strings.Count(a, ":") - strings.Count(b, ":") })
	return out
}

// How long a scan is waited for, and how long it is as good as new: a bus whose line is
// held low lets each address wait. Common practice, no source.
const (
	scanWait = 3 * time.Second
	scanGood = 5 * time.Second
)

// scanning keeps the newest look at the buses, so that a page which asks often does not
// keep them busy, and a bus that hangs holds up no page.
type scanning struct {
	mu       sync.Mutex
	at       time.Time
	of       *config.Config
	buses    []message.SetupBus
	troubles []string
	busy     chan struct{} // closed when the scan that runs is over; nil where none does
}

func (s *scanning) look(ctx context.Context, m Machine, c *config.Config) ([]message.SetupBus, []string) {
	s.mu.Lock()
	if s.busy == nil && (s.of != c || s.at.IsZero() || time.Since(s.at) > scanGood) {
		busy := make(chan struct{})
		s.busy = busy
		go func() {
			buses, troubles := Scan(m, c)
			s.mu.Lock()
			defer s.mu.Unlock()
			s.at, s.of, s.buses, s.troubles, s.busy = time.Now(), c, buses, troubles, nil
			close(busy)
		}()
	}
	busy := s.busy
	s.mu.Unlock()
	if busy != nil {
		t := time.NewTimer(scanWait)
		defer t.Stop()
		select {
		case <-busy:
		case <-ctx.Done():
		case <-t.C:
			return nil, []string{fmt.Sprintf("The I2C bus has not answered for %s. Look for a line that is held low: a short, or a chip without supply.", scanWait)}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.buses), slices.Clone(s.troubles)
}
