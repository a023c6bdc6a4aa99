// Package config reads the shed's configuration: a TOML file, judged strictly,
// into a value that cannot be half right.
package config

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/pelletier/go-toml/v2"

	"ashlamp/hardware/calibration"
	"ashlamp/ingest/mapping"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/limit"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
)

// Defaults that are not limits of an engine.
const (
	// DefaultListen is where the page is served unless told otherwise: loopback only.
	DefaultListen = "127.0.0.1:8080"
	// DefaultBroker is where the built-in broker listens.
	DefaultBroker = "127.0.0.1:1883"
	// DefaultSkew is how far a sample's time may be ahead; common practice, no source.
	DefaultSkew = 5 * time.Second
	// DefaultEvery is the time between rounds of a wired channel.
	DefaultEvery = 2 * time.Second
	// DefaultForwardEvery is the time between batches to an outside store.
	DefaultForwardEvery = 10 * time.Second
)

// Config is a shed with its engines and doors.
type Config struct {
	Shed    Shed
	Listen  string
	Broker  Broker
	Forward *Forward
	Buses   []Bus
	Engines []engine.Engine
	Mapped  []mapping.Rule
	Wired   []Wired
	// Calibrations are zero and span of channels, as fitted to the points in the file.
	Calibrations []Calibration
	// Lamp is the lamp on the board; nil for none.
	Lamp *Lamp
	// Neighbours are the other sheds whose daemons this one listens for.
	Neighbours []Neighbour
	// Notify is by what people are rung.
	Notify Notify
}

// Shed is the place.
type Shed struct {
	ID, Name string
	Timezone string
	Zone     *time.Location
	// AltitudeM is in metre above sea level.
	AltitudeM float64
	Skew      time.Duration
	People    []string
}

// Broker is where MQTT comes from: an outside broker's URL, or, where that is
// empty, the built-in one listening at Listen.
type Broker struct {
	URL, Listen, User, PasswordFile, CAFile, ClientID string
}

// Forward is an outside store with the InfluxDB v2 write API.
type Forward struct {
	URL, Organisation, Bucket, TokenFile string
	Every                                time.Duration
}

// Bus is an I2C bus by our name and the operating system's.
type Bus struct{ Name, Device string }

// Wired is a channel that the board itself reads.
type Wired struct {
	// Engine is empty for a channel of the shed.
	Engine    string
	Channel   telemetry.Channel
	Bus, Chip string
	Address   uint16
	Input     int
	Couple    string
	// Bias is true where a resistor shows an open couple, false where the chip does.
	Bias     bool
	Signal   string
	ShuntOhm float64
	SupplyV  float64
	// Low and High are the span of the signal in the channel's unit.
	Low, High   float64
	Uncertainty float64
	Every       time.Duration
	// Calibration corrects the value; the zero Line leaves it as it is.
	Calibration calibration.Line
}

// Fault is one thing wrong with a file.
type Fault struct {
	File string
	Line int
	Text string
	// Unfinished is that nothing is wrong but that something was not said yet, without
	// which nothing can be run: the shed's id, or an engine.
	Unfinished bool
}

// Error gives "file:line: what is wrong; the mend".
func (f Fault) Error() string { return fmt.Sprintf("%s:%d: %s", f.File, f.Line, f.Text) }

// Faults is all that is wrong with a file, in order of line.
type Faults []Fault

// Unfinished reports whether nothing is wrong but what was not said yet.
func (fs Faults) Unfinished() bool {
	return !slices.ContainsFunc(fs, func(f Fault) bool { return !f.Unfinished })
}

func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Read reads and judges a file. What is wrong with it comes as [Faults].
func Read(path string) (Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Config{}, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(path, text)
}

// Parse judges a configuration; name stands for the file in complaints.
func Parse(name string, text []byte) (Config, error) {
	r := &reader{name: name, at: lines(text)}
	var f file
	d := toml.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return Config{}, r.decodeFaults(err)
	}
	c := r.config(f)
	if len(r.faults) > 0 {
		sort.SliceStable(r.faults, func(i, j int) bool { return r.faults[i].Line < r.faults[j].Line })
		return Config{}, r.faults
	}
	return c, nil
}

type reader struct {
	name   string
	at     index
	faults Faults
}

func (r *reader) fault(key, format string, args ...any) {
	r.faults = append(r.faults, Fault{File: r.name, Line: r.at.line(key), Text: oneLine(fmt.Sprintf(format, args...))})
}

// unfinished is a fault that is only that something was not said yet.
func (r *reader) unfinished(key, text string) {
	r.fault(key, "%s", text)
	r.faults[len(r.faults)-1].Unfinished = true
}

// oneLine writes out what would begin a new line or steer a terminal: names and
// texts of the file stand in complaints, and each complaint is one line.
func oneLine(s string) string {
	if !strings.ContainsFunc(s, unicode.IsControl) {
		return s
	}
	var b strings.Builder
	for _, c := range s {
		if unicode.IsControl(c) {
			b.WriteString(strings.Trim(strconv.QuoteRune(c), "'"))
		} else {
			b.WriteRune(c)
		}
	}
	return b.String()
}

func (r *reader) decodeFaults(err error) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) {
		for _, e := range missing.Errors {
			row, _ := e.Position()
			key := strings.Join(e.Key(), ".")
			r.faults = append(r.faults, Fault{File: r.name, Line: row, Text: oneLine(fmt.Sprintf("key %q is not known; check its spelling and the table that it stands in", key))})
		}
		return r.faults
	}
	var decode *toml.DecodeError
	if errors.As(err, &decode) {
		row, _ := decode.Position()
		return Faults{{File: r.name, Line: row, Text: oneLine(decode.Error()) + "; mend the line so that it is TOML with a value of that kind"}}
	}
	return Faults{{File: r.name, Line: 1, Text: oneLine(err.Error())}}
}

var idPattern = regexp.MustCompile(`^[a-z0-9-]+$`)

func (r *reader) id(key, id string) {
	switch {
	case id == "":
		r.fault(key, "%s is missing; give a short id of a-z, 0-9 and -", key)
	case !idPattern.MatchString(id):
		r.fault(key, "%s = %q has other characters than a-z, 0-9 and -; shorten it to those", key, id)
	}
}

func (r *reader) config(f file) Config {
	c := Config{Listen: f.HTTP.Listen, Shed: r.shed(f.Shed)}
	if c.Listen == "" {
		c.Listen = DefaultListen
	}
	c.Broker = Broker{f.MQTT.Broker, f.MQTT.Listen, f.MQTT.User, f.MQTT.PasswordFile, f.MQTT.CAFile, f.MQTT.ClientID}
	if c.Broker.URL == "" && c.Broker.Listen == "" {
		c.Broker.Listen = DefaultBroker
	}
	if c.Broker.URL != "" && c.Broker.Listen != "" {
		r.fault("mqtt.listen", "mqtt.broker and mqtt.listen are both set; keep broker for an outside broker, or listen for the built-in one")
	}
	if f.Forward != nil {
		c.Forward = r.forward(*f.Forward)
	}
	buses := map[string]bool{}
	for i, b := range f.Bus {
		key := fmt.Sprintf("bus[%d]", i)
		r.id(key+".name", b.Name)
		if buses[b.Name] {
			r.fault(key+".name", "bus %q is there twice; give each its own name", b.Name)
		}
		buses[b.Name] = true
		if b.Device == "" {
			b.Device = b.Name
		}
		c.Buses = append(c.Buses, Bus(b))
	}

	shedChannels := r.channels("shed", "", f.Shed.Channel, buses, &c)
	if len(f.Engine) == 0 {
		r.unfinished("engine", "there is no engine; add a table [[engine]] for each")
	}
	ids := map[string]bool{}
	for i, e := range f.Engine {
		key := fmt.Sprintf("engine[%d]", i)
		r.id(key+".id", e.ID)
		if ids[e.ID] {
			r.fault(key+".id", "engine %q is there twice; give each its own id", e.ID)
		}
		ids[e.ID] = true
		c.Engines = append(c.Engines, r.engine(key, e, shedChannels, buses, &c))
	}
	if _, err := mapping.New(c.Mapped); err != nil && len(r.faults) == 0 {
		r.fault("engine", "%s", err)
	}
	if f.Lamp != nil {
		c.Lamp = r.lamp(*f.Lamp, c)
	}
	c.Neighbours = r.neighbours(f.Neighbour, c)
	c.Notify = r.notify(f.Notify)
	return c
}

func (r *reader) shed(f fileShed) Shed {
	s := Shed{ID: f.ID, Name: f.Name, Timezone: f.Timezone, AltitudeM: f.AltitudeM, Skew: DefaultSkew, People: f.People}
	if f.ID == "" {
		r.unfinished("shed.id", "shed.id is missing; give a short id of a-z, 0-9 and -")
	} else {
		r.id("shed.id", f.ID)
	}
	if s.Name == "" {
		s.Name = s.ID
	}
	if s.Timezone == "" {
		s.Timezone = "UTC"
	}
	zone, err := time.LoadLocation(s.Timezone)
	if err != nil || s.Timezone == "Local" {
		r.fault("shed.timezone", "timezone = %q is not known; write an IANA name such as \"Europe/London\"", s.Timezone)
		zone = time.UTC
	}
	s.Zone = zone
	if _, err := steam.StandardAtmosphere(s.AltitudeM); err != nil {
		r.fault("shed.altitude_m", "altitude_m = %g: %s", s.AltitudeM, err)
	}
	if f.SkewS != nil {
		if !(*f.SkewS >= 0 && *f.SkewS <= 60) {
			r.fault("shed.skew_s", "skew_s = %g is outside 0 to 60 s; it is how far a sample's time may be ahead", *f.SkewS)
		}
		s.Skew = time.Duration(*f.SkewS * float64(time.Second))
	}
	for i, p := range s.People {
		if strings.TrimSpace(p) == "" {
			r.fault("shed.people", "person %d has no name; delete the entry or name them", i+1)
		}
	}
	return s
}

func (r *reader) forward(f fileForward) *Forward {
	if f.URL == "" || f.Bucket == "" {
		r.fault("forward", "forward needs url and bucket; delete the table to send nothing on")
	}
	out := &Forward{f.URL, f.Organisation, f.Bucket, f.TokenFile, DefaultForwardEvery}
	if f.EveryS != 0 {
		if !(f.EveryS >= 1 && f.EveryS <= 3600) {
			r.fault("forward.every_s", "every_s = %g is outside 1 to 3600 s", f.EveryS)
		}
		out.Every = time.Duration(f.EveryS * float64(time.Second))
	}
	return out
}

func (r *reader) engine(key string, f fileEngine, shed map[telemetry.Channel]engine.Channel, buses map[string]bool, c *Config) engine.Engine {
	e := engine.Engine{
		ID: f.ID, Name: f.Name, WorkingPressure: f.WorkingPressure, BoilerVolume: f.BoilerVolume,
		Tanks: 2, BlowDownPipe: true, LayUp: telemetry.LayUp(f.LayUp), EmptiedBy: engine.EmptiedBy(f.EmptiedBy),
		Altitude: c.Shed.AltitudeM, Zone: c.Shed.Zone, ByWord: f.ByWord,
		Limits: limit.Defaults(f.WorkingPressure, f.BoilerVolume),
	}
	if e.Name == "" {
		e.Name = e.ID
	}
	if f.Tanks != nil {
		e.Tanks = *f.Tanks
	}
	if f.BlowDownPipe != nil {
		e.BlowDownPipe = *f.BlowDownPipe
	}
	if e.LayUp == "" {
		e.LayUp = telemetry.Dry
	}
	if e.EmptiedBy == "" {
		e.EmptiedBy = engine.Cold // the way that asks for more
	}
	for k, v := range f.Limits {
		if k == "skew_s" {
			r.fault(key+".limits.skew_s", "skew_s belongs under [shed]; move it there")
			continue
		}
		e.Limits[limit.Key(k)] = v
	}
	e.Channels = r.channels(key, f.ID, f.Channel, buses, c)
	for id, ch := range shed {
		if _, ok := e.Channels[id]; !ok {
			e.Channels[id] = ch
		}
	}
	for _, fault := range e.Check() {
		r.fault(r.keyOf(key, f, fault.Key), "engine %s: %s", f.ID, fault.Text)
	}
	r.byWord(key, f)
	return e
}

// keyOf turns the key of an engine's fault into the one in the file.
func (r *reader) keyOf(key string, f fileEngine, fault string) string {
	if rest, ok := strings.CutPrefix(fault, "channel."); ok {
		for i, ch := range f.Channel {
			if after, ok := strings.CutPrefix(rest, ch.ID); ok {
				return fmt.Sprintf("%s.channel[%d]%s", key, i, after)
			}
		}
	}
	return key + "." + fault
}

func (r *reader) byWord(key string, f fileEngine) {
	known := map[string]bool{}
	for _, d := range confirmation.Table() {
		known[d.ID] = true
	}
	for _, ev := range slices.Sorted(maps.Keys(f.ByWord)) {
		word := f.ByWord[ev]
		at := key + ".by_word." + ev
		if !evidence.Borne(ev) {
			r.fault(at, "by_word: %q is no evidence that sensors bear; see the steps in the documentation", ev)
		}
		if !idPattern.MatchString(word) {
			r.fault(at, "by_word: %q is no id for a confirmation; use a-z, 0-9 and -", word)
		}
	}
}

// channels reads the channels of the shed or of an engine.
func (r *reader) channels(key, eng string, fs []fileChannel, buses map[string]bool, c *Config) map[telemetry.Channel]engine.Channel {
	out := map[telemetry.Channel]engine.Channel{}
	first := map[string]int{}
	for i, f := range fs {
		at := fmt.Sprintf("%s.channel[%d]", key, i)
		if f.ID == "" {
			r.fault(at+".id", "a channel has no id; give it one, such as \"boiler.pressure\"")
			continue
		}
		if n, twice := first[f.ID]; twice {
			r.fault(at+".id", "channel %s is there twice, first at line %d; delete one", f.ID, n)
			continue
		}
		first[f.ID] = r.at.line(at + ".id")
		id := telemetry.Channel(f.ID)
		if eng == "" && !id.OfShed() {
			r.fault(at+".id", "channel %s belongs to an engine; move it there", f.ID)
		}
		ch := r.channel(at, id, f)
		out[id] = ch
		owner := eng
		if id.OfShed() {
			owner = ""
		}
		if f.Mapped != nil && f.Wired != nil {
			r.fault(at, "channel %s has two sources, mapped and wired; keep one", f.ID)
		}
		if f.Mapped != nil {
			r.mapped(at, owner, id, *f.Mapped, c)
		}
		var line calibration.Line
		if f.Calibration != nil {
			if k, ok := r.calibration(at, owner, ch, *f.Calibration, f.Wired); ok {
				c.Calibrations = append(c.Calibrations, k)
				line = k.Line
			}
		}
		if f.Wired != nil {
			r.wired(at, owner, ch, *f.Wired, buses, c)
			c.Wired[len(c.Wired)-1].Calibration = line
		}
	}
	return out
}

func (r *reader) channel(at string, id telemetry.Channel, f fileChannel) engine.Channel {
	ch := engine.Channel{ID: id, Low: math.NaN(), High: math.NaN(), Interval: f.IntervalS}
	if len(f.Range) > 0 {
		if len(f.Range) != 2 {
			r.fault(at+".range", "channel %s: range has %d ends; write [low, high]", id, len(f.Range))
		} else {
			ch.Low = r.quantity(at+".range", id, f.Range[0])
			ch.High = r.quantity(at+".range", id, f.Range[1])
		}
	}
	ch.Uncertainty = engine.DefaultUncertainty(id, ch.High)
	if f.Uncertainty != nil {
		ch.Uncertainty = r.quantity(at+".uncertainty", id, f.Uncertainty)
	}
	// The engine judges more of the channels of the contract.
	_, known := telemetry.UnitOf(id)
	if math.IsNaN(f.IntervalS) || math.IsInf(f.IntervalS, 0) || !known && f.IntervalS < 0 {
		r.fault(at+".interval_s", "channel %s: interval_s = %g is no time between samples; give seconds, or leave it out", id, f.IntervalS)
	}
	if !known {
		if f.Uncertainty != nil && ch.Uncertainty <= 0 {
			r.fault(at+".uncertainty", "channel %s: uncertainty = %g must be above 0; leave it out where it is not known", id, ch.Uncertainty)
		}
		if ch.Low >= ch.High {
			r.fault(at+".range", "channel %s: range [%g, %g] is empty; write the lower end first", id, ch.Low, ch.High)
		}
	}
	switch f.Reference {
	case "", "gauge":
	case "absolute":
		ch.Absolute = true
	default:
		r.fault(at+".reference", "channel %s: reference = %q is not known; use \"gauge\" or \"absolute\"", id, f.Reference)
	}
	return ch
}

// scales are the units a person may write beside a number, by SI unit. A
// temperature here is a difference or a range on the Celsius scale.
var scales = map[telemetry.Unit]map[string]float64{
	telemetry.Pascal:   {"Pa": 1, "hPa": 100, "mbar": 100, "kPa": 1000, "bar": 1e5, "MPa": 1e6, "psi": 6894.757293168},
	telemetry.Celsius:  {"K": 1, "Cel": 1, "°C": 1},
	telemetry.Ratio:    {"/": 1, "%": 0.01, "ppm": 1e-6},
	telemetry.Humidity: {"%RH": 1, "%": 1},
}

// quantity reads a number in the channel's own unit, or a text such as "0.04 bar".
func (r *reader) quantity(key string, id telemetry.Channel, v any) float64 {
	unit, known := telemetry.UnitOf(id)
	switch v := v.(type) {
	case float64:
		return r.finite(key, id, v)
	case int64:
		return float64(v)
	case string:
		number, name, _ := strings.Cut(strings.TrimSpace(v), " ")
		name = strings.TrimSpace(name)
		x, err := strconv.ParseFloat(number, 64)
		if err != nil {
			r.fault(key, "channel %s: %q does not begin with a number; write for example \"0.04 bar\"", id, v)
			return math.NaN()
		}
		scale, ok := scales[unit][name]
		if !ok && (known || name != "") {
			r.fault(key, "channel %s: unit %q of %q does not fit; use %s", id, name, v, unitsFor(unit))
			return math.NaN()
		}
		if !ok {
			scale = 1
		}
		return r.finite(key, id, x*scale)
	}
	r.fault(key, "channel %s: %v is neither a number nor a text with a unit", id, v)
	return math.NaN()
}

func (r *reader) finite(key string, id telemetry.Channel, v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		r.fault(key, "channel %s: %v is no finite number", id, v)
	}
	return v
}

// Quantity reads a text such as "0.04 bar" as a value in the channel's own unit, as the
// configuration does.
func Quantity(id telemetry.Channel, text string) (float64, error) {
	r := &reader{}
	v := r.quantity("", id, text)
	if len(r.faults) > 0 {
		return math.NaN(), errors.New(r.faults[0].Text)
	}
	return v, nil
}

func unitsFor(u telemetry.Unit) string {
	var names []string
	for n := range scales[u] {
		names = append(names, n)
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

func (r *reader) mapped(at, owner string, id telemetry.Channel, f fileMapped, c *Config) {
	rule := mapping.Rule{
		Filter: f.Topic, Pointer: f.Pointer, Engine: owner, Node: f.Node, Channel: id,
		Unit: f.Unit, Scale: 1, Offset: f.Offset,
	}
	if f.Scale != nil {
		rule.Scale = *f.Scale
	}
	if _, err := mapping.New([]mapping.Rule{rule}); err != nil {
		r.fault(at+".mapped", "channel %s: %s", id, strings.TrimPrefix(err.Error(), "mapping 1: "))
		return
	}
	c.Mapped = append(c.Mapped, rule)
}

func (r *reader) wired(at, owner string, ch engine.Channel, f fileWired, buses map[string]bool, c *Config) {
	key := at + ".wired"
	w := Wired{
		Engine: owner, Channel: ch.ID, Bus: f.Bus, Chip: f.Chip, Address: uint16(f.Address), Input: f.Input,
		Couple: f.Couple, Signal: f.Signal, ShuntOhm: f.ShuntOhm, SupplyV: f.SupplyV,
		Low: ch.Low, High: ch.High, Uncertainty: ch.Uncertainty, Every: DefaultEvery,
	}
	if f.EveryS != 0 {
		if !(f.EveryS >= 0.1 && f.EveryS <= 3600) {
			r.fault(key+".every_s", "channel %s: every_s = %g is outside 0.1 to 3600 s", ch.ID, f.EveryS)
		}
		w.Every = time.Duration(f.EveryS * float64(time.Second))
	}
	if !buses[f.Bus] {
		r.fault(key+".bus", "channel %s: bus %q is not declared; add a table [[bus]] with that name", ch.ID, f.Bus)
	}
	if f.Address < 0x08 || f.Address > 0x77 {
		r.fault(key+".address", "channel %s: address = 0x%02x is outside 0x08 to 0x77", ch.ID, f.Address)
	}
	unit, _ := telemetry.UnitOf(ch.ID)
	switch f.Chip {
	case "mcp9600", "mcp9601":
		if unit != telemetry.Celsius {
			r.fault(key+".chip", "channel %s: a thermocouple converter gives a temperature, the channel is in %s", ch.ID, unit)
		}
		if w.Couple == "" {
			w.Couple = "K"
		}
		if !strings.Contains("KJTN", w.Couple) || len(w.Couple) != 1 {
			r.fault(key+".couple", "channel %s: couple = %q is not known; use \"K\", \"J\", \"T\" or \"N\"", ch.ID, w.Couple)
		}
		switch f.Open {
		case "", "chip":
		case "bias":
			w.Bias = true
		default:
			r.fault(key+".open", "channel %s: open = %q is not known; use \"chip\" where the chip finds an open couple, \"bias\" where a resistor shows it", ch.ID, f.Open)
		}
	case "ads1115":
		if f.Input < 0 || f.Input > 3 {
			r.fault(key+".input", "channel %s: input = %d is not 0 to 3", ch.ID, f.Input)
		}
		r.signal(key, ch, &w)
	default:
		r.fault(key+".chip", "channel %s: chip = %q is not known; use \"mcp9600\", \"mcp9601\" or \"ads1115\"", ch.ID, f.Chip)
	}
	c.Wired = append(c.Wired, w)
}

func (r *reader) signal(key string, ch engine.Channel, w *Wired) {
	if !(ch.Low < ch.High) {
		r.fault(key, "channel %s: a %s needs range = [low, high], its span", ch.ID, w.Chip)
	}
	switch w.Signal {
	case "loop":
		if !(w.ShuntOhm >= 10 && w.ShuntOhm <= 250) {
			r.fault(key+".shunt_ohm", "channel %s: shunt_ohm = %g is outside 10 to 250 ohm", ch.ID, w.ShuntOhm)
		}
	case "ratiometric":
		if w.SupplyV == 0 {
			w.SupplyV = 5
		}
		if !(w.SupplyV >= 4.5 && w.SupplyV <= 5.5) {
			r.fault(key+".supply_v", "channel %s: supply_v = %g is outside 4.5 to 5.5 V", ch.ID, w.SupplyV)
		}
	default:
		r.fault(key+".signal", "channel %s: signal = %q is not known; use \"loop\" (4 to 20 mA) or \"ratiometric\" (0.5 to 4.5 V)", ch.ID, w.Signal)
	}
}
