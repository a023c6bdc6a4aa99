package setup

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ashlamp/daemon/config"
	"ashlamp/daemon/config/edit"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

// setText, setNumber and the like set a key where a value is given.
func setText(d *edit.Document, path string, v *string) error {
	if v == nil {
		return nil
	}
	return d.Set(path, edit.Text(*v))
}

func setNumber(d *edit.Document, path string, v *float64) error {
	if v == nil {
		return nil
	}
	return d.Set(path, edit.Number(*v))
}

// first returns the first error of some changes, none of which is made after it.
func first(steps ...func() error) error {
	for _, do := range steps {
		if err := do(); err != nil {
			return err
		}
	}
	return nil
}

// PutShed implements [api.Setup].
func (s *Setup) PutShed(ctx context.Context, p message.SetupShedPut) error {
	ch := changed{hash: p.Hash, by: p.By, what: "The shed's own settings were changed."}
	return s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error {
		return first(
			func() error { return setText(d, "shed.id", p.ID) },
			func() error { return setText(d, "shed.name", p.Name) },
			func() error { return setText(d, "shed.timezone", p.Timezone) },
			func() error { return setNumber(d, "shed.altitude_m", p.AltitudeM) },
			func() error { return setNumber(d, "shed.skew_s", p.SkewS) },
			func() error {
				if p.People == nil {
					return nil
				}
				return d.Set("shed.people", edit.Texts(*p.People))
			},
		)
	})
}

// PutDoors implements [api.Setup].
func (s *Setup) PutDoors(ctx context.Context, p message.SetupDoorsPut) error {
	if p.Listen != nil && p.Broker != nil {
		return no(problem.BadRequest, "Send listen for the built-in broker, or broker for one of your own.", "both listen and broker are given")
	}
	for _, a := range []*string{p.Page, p.Listen} {
		if a == nil {
			continue
		}
		if err := checkAddress(*a); err != nil {
			return no(problem.FileWrong, "Write an address of this machine with a port, as 127.0.0.1:8080, or 0.0.0.0:8080 for all its addresses.", "%s", err)
		}
	}
	ch := changed{hash: p.Hash, by: p.By, what: "The addresses of the page and of the broker were changed."}
	return s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error {
		return first(
			func() error { return setText(d, "http.listen", p.Page) },
			func() error { return setText(d, "mqtt.listen", p.Listen) },
			func() error { return setText(d, "mqtt.broker", p.Broker) },
			func() error {
				if p.Listen != nil {
					return d.Delete("mqtt.broker")
				}
				if p.Broker != nil {
					return d.Delete("mqtt.listen")
				}
				return nil
			},
		)
	})
}

func checkAddress(a string) error {
	host, port, err := net.SplitHostPort(a)
	if err != nil {
		return fmt.Errorf("the address %q has no port", a)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return fmt.Errorf("the port of %q is not 1 to 65535", a)
	}
	if host != "" && net.ParseIP(host) == nil && host != "localhost" {
		return fmt.Errorf("the address %q is not one of this machine's", a)
	}
	return nil
}

// PutEngine implements [api.Setup].
func (s *Setup) PutEngine(ctx context.Context, id string, p message.SetupEnginePut) error {
	ch := changed{hash: p.Hash, by: p.By, engine: id, what: "What the engine is was changed in the configuration."}
	if len(p.Limits)+len(p.Unset) > 0 {
		ch.what = "Limits of the engine were changed in the configuration: " + strings.Join(limitsSaid(p), ", ") + "."
	}
	return s.change(ctx, ch, func(d *edit.Document, c *config.Config) error {
		i := d.Find("engine", "id", id)
		if i < 0 {
			if _, err := d.Append("engine", edit.Field{Key: "id", Value: edit.Text(id)}); err != nil {
				return err
			}
			i = d.Len("engine") - 1
		}
		at := edit.At("engine", i)
		key := func(k string) string { return edit.Join(at, k) }
		err := first(
			func() error { return setText(d, key("name"), p.Name) },
			func() error { return setNumber(d, key("working_pressure_bar"), p.WorkingPressureBar) },
			func() error { return setNumber(d, key("boiler_volume_l"), p.BoilerVolumeL) },
			func() error {
				if p.Tanks == nil {
					return nil
				}
				return d.Set(key("tanks"), edit.Int(*p.Tanks))
			},
			func() error {
				if p.BlowDownPipe == nil {
					return nil
				}
				return d.Set(key("blow_down_pipe"), edit.Bool(*p.BlowDownPipe))
			},
			func() error { return setText(d, key("lay_up"), p.LayUp) },
			func() error { return setText(d, key("emptied_by"), p.EmptiedBy) },
		)
		if err != nil {
			return err
		}
		for _, k := range slices.Sorted(maps.Keys(p.Limits)) {
			if err := limit.Check(limit.Key(k), p.Limits[k]); err != nil {
				return no(problem.FileWrong, "Mend it and send it again; nothing was written.", "engine %s: %s", id, err)
			}
			if err := d.Set(edit.Join(at, "limits", k), edit.Number(p.Limits[k])); err != nil {
				return err
			}
		}
		for _, k := range p.Unset {
			if err := d.Delete(edit.Join(at, "limits", k)); err != nil {
				return err
			}
		}
		for _, ev := range slices.Sorted(maps.Keys(p.ByWord)) {
			path := edit.Join(at, "by_word", ev)
			if p.ByWord[ev] == "" {
				err = d.Delete(path)
			} else {
				err = d.Set(path, edit.Text(p.ByWord[ev]))
			}
			if err != nil {
				return err
			}
		}
		for _, one := range p.Channels {
			if err := setChannel(d, c, id, telemetry.Channel(one.ID), one.Set); err != nil {
				return err
			}
		}
		return nil
	})
}

func limitsSaid(p message.SetupEnginePut) []string {
	var out []string
	for _, k := range slices.Sorted(maps.Keys(p.Limits)) {
		out = append(out, fmt.Sprintf("%s = %g", k, p.Limits[k]))
	}
	for _, k := range p.Unset {
		out = append(out, k+" back to its default")
	}
	return out
}

// DeleteEngine implements [api.Setup].
func (s *Setup) DeleteEngine(ctx context.Context, id, hash, by string) error {
	ch := changed{hash: hash, by: by, what: "Engine " + id + " was taken out of the configuration; its book and samples stay."}
	return s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error {
		i := d.Find("engine", "id", id)
		if i < 0 {
			return no(problem.UnknownEngine, "See engines in GET /setup for those that there are.", "no engine has the id %q", id)
		}
		return d.Delete(edit.At("engine", i))
	})
}

// place returns where the channels of an engine, or of the shed, stand in the text.
func place(d *edit.Document, engineID string) (string, error) {
	if engineID == "" {
		return "shed.channel", nil
	}
	i := d.Find("engine", "id", engineID)
	if i < 0 {
		return "", no(problem.UnknownEngine, "Add the engine first.", "no engine has the id %q", engineID)
	}
	return edit.Join(edit.At("engine", i), "channel"), nil
}

// where returns where one channel stands.
func where(d *edit.Document, engineID string, id telemetry.Channel) (string, error) {
	list, err := place(d, engineID)
	if err != nil {
		return "", err
	}
	i := d.Find(list, "id", string(id))
	if i < 0 {
		return "", no(problem.UnknownChannel, "See channels in GET /setup for those that there are; those of the shed (ambient.*) are under /setup/shed/channels.", "no channel has the id %q there", id)
	}
	return edit.At(list, i), nil
}

// named is a channel as a book or a complaint has it.
func named(engineID string, id telemetry.Channel) string {
	if engineID == "" {
		return string(id) + " of the shed"
	}
	return string(id)
}

// PutChannel implements [api.Setup].
func (s *Setup) PutChannel(ctx context.Context, engineID string, id telemetry.Channel, p message.SetupChannelPut) error {
	ch := changed{hash: p.Hash, by: p.By, engine: engineID, what: "Channel " + named(engineID, id) + " was changed in the configuration."}
	return s.change(ctx, ch, func(d *edit.Document, c *config.Config) error { return setChannel(d, c, engineID, id, p.Set) })
}

// DeleteChannel implements [api.Setup].
func (s *Setup) DeleteChannel(ctx context.Context, engineID string, id telemetry.Channel, hash, by string) error {
	ch := changed{hash: hash, by: by, engine: engineID, what: "Channel " + named(engineID, id) + " was taken out of the configuration; its samples stay."}
	return s.change(ctx, ch, func(d *edit.Document, _ *config.Config) error {
		at, err := where(d, engineID, id)
		if err != nil {
			return err
		}
		return d.Delete(at)
	})
}

// channelOf is a channel as it is configured; false where it is not.
func channelOf(c *config.Config, engineID string, id telemetry.Channel) (engine.Channel, bool) {
	if c == nil {
		return engine.Channel{}, false
	}
	for _, e := range c.Engines {
		if e.ID == engineID || engineID == "" {
			ch, ok := e.Channels[id]
			return ch, ok
		}
	}
	return engine.Channel{}, false
}

func setChannel(d *edit.Document, c *config.Config, engineID string, id telemetry.Channel, set message.SetupChannelSet) error {
	list, err := place(d, engineID)
	if err != nil {
		return err
	}
	now, known := channelOf(c, engineID, id)
	if i := d.Find(list, "id", string(id)); i < 0 {
		known = false
		if _, err := d.Append(list, edit.Field{Key: "id", Value: edit.Text(string(id))}); err != nil {
			return err
		}
	}
	at, err := where(d, engineID, id)
	if err != nil {
		return err
	}
	key := func(k string) string { return edit.Join(at, k) }
	if !known {
		now = engine.Channel{ID: id, Low: math.NaN(), High: math.NaN(), Uncertainty: math.NaN()}
	}
	if set.Uncertainty != nil && *set.Uncertainty != now.Uncertainty {
		if err := d.Set(key("uncertainty"), quantity(id, *set.Uncertainty, true)); err != nil {
			return err
		}
	}
	low, high := now.Low, now.High
	if set.Low != nil {
		low = *set.Low
	}
	if set.High != nil {
		high = *set.High
	}
	spans := false
	if (set.Low != nil || set.High != nil) && (low != now.Low || high != now.High) {
		if math.IsNaN(low) || math.IsNaN(high) {
			return no(problem.FileWrong, "Give both ends of the instrument's range.", "channel %s has only one end of a range", id)
		}
		if err := d.Set(key("range"), edit.List(quantity(id, low, false), quantity(id, high, false))); err != nil {
			return err
		}
		spans = true
	}
	if set.Absolute != nil && *set.Absolute != now.Absolute {
		word := "gauge"
		if *set.Absolute {
			word = "absolute"
		}
		if err := d.Set(key("reference"), edit.Text(word)); err != nil {
			return err
		}
	}
	switch {
	case set.IntervalS == nil || *set.IntervalS == now.Interval:
	case *set.IntervalS == 0:
		err = d.Delete(key("interval_s"))
	default:
		err = d.Set(key("interval_s"), edit.Number(*set.IntervalS))
	}
	if err != nil {
		return err
	}
	before := string(d.Text())
	if err := setSource(d, at, id, set); err != nil {
		return err
	}
	if string(d.Text()) != before || spans && d.Has(key("wired")) {
		// What the instrument gives is another thing now: its zero and span are to be set anew.
		return d.Delete(key("calibration"))
	}
	return nil
}

// setSource says where the samples of a channel come from.
func setSource(d *edit.Document, at string, id telemetry.Channel, set message.SetupChannelSet) error {
	source := ""
	switch {
	case set.Source != nil:
		source = *set.Source
	case set.Mapped != nil:
		source = "mapped"
	case set.Wired != nil:
		source = "wired"
	}
	mapped, wired := edit.Join(at, "mapped"), edit.Join(at, "wired")
	switch source {
	case "":
		return nil
	case "contract":
		return first(func() error { return d.Delete(mapped) }, func() error { return d.Delete(wired) })
	case "mapped":
		if set.Mapped == nil && !d.Has(mapped) {
			return no(problem.FileWrong, "Send \"mapped\" with the topic that it comes on.", "channel %s is to be mapped from nothing", id)
		}
		if err := d.Delete(wired); err != nil || set.Mapped == nil {
			return err
		}
		return setMapped(d, mapped, *set.Mapped)
	case "wired":
		if set.Wired == nil && !d.Has(wired) {
			return no(problem.FileWrong, "Send \"wired\" with the bus, the chip and its address.", "channel %s is to be wired to nothing", id)
		}
		if err := d.Delete(mapped); err != nil || set.Wired == nil {
			return err
		}
		return setWired(d, wired, *set.Wired)
	}
	return no(problem.FileWrong, "Use contract, mapped or wired.", "channel %s: source %q is not known", id, source)
}

// all sets a table to what is given and deletes what is not.
func all(d *edit.Document, at string, fields ...edit.Field) error {
	for _, f := range fields {
		path := edit.Join(at, f.Key)
		var err error
		if f.Value == (edit.Value{}) {
			err = d.Delete(path)
		} else {
			err = d.Set(path, f.Value)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func text(s string) edit.Value {
	if s == "" {
		return edit.Value{}
	}
	return edit.Text(s)
}

func number64(v *float64) edit.Value {
	if v == nil {
		return edit.Value{}
	}
	return edit.Number(*v)
}

func setMapped(d *edit.Document, at string, m message.SetupMapped) error {
	if err := finite("scale and offset", m.Scale, m.Offset); err != nil {
		return err
	}
	return all(d, at,
		edit.Field{Key: "topic", Value: edit.Text(m.Topic)},
		edit.Field{Key: "pointer", Value: text(m.Pointer)},
		edit.Field{Key: "unit", Value: text(m.Unit)},
		edit.Field{Key: "scale", Value: number64(m.Scale)},
		edit.Field{Key: "offset", Value: number64(m.Offset)},
		edit.Field{Key: "node", Value: text(m.Node)},
	)
}

func finite(what string, vs ...*float64) error {
	for _, v := range vs {
		if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
			return no(problem.FileWrong, "Give finite numbers.", "%s: one is no finite number", what)
		}
	}
	return nil
}

func setWired(d *edit.Document, at string, w message.SetupWired) error {
	if err := finite("shunt, supply and time between readings", w.ShuntOhm, w.SupplyV, w.EveryS); err != nil {
		return err
	}
	bus, err := busOf(d, w.Bus)
	if err != nil {
		return err
	}
	input := edit.Value{}
	if w.Input != nil {
		input = edit.Int(*w.Input)
	}
	address := edit.Int(w.Address)
	if w.Address >= 0 {
		address = edit.Hex(w.Address)
	}
	return all(d, at,
		edit.Field{Key: "bus", Value: edit.Text(bus)},
		edit.Field{Key: "chip", Value: edit.Text(w.Chip)},
		edit.Field{Key: "address", Value: address},
		edit.Field{Key: "input", Value: input},
		edit.Field{Key: "couple", Value: text(w.Couple)},
		edit.Field{Key: "open", Value: text(w.Open)},
		edit.Field{Key: "signal", Value: text(w.Signal)},
		edit.Field{Key: "shunt_ohm", Value: number64(w.ShuntOhm)},
		edit.Field{Key: "supply_v", Value: number64(w.SupplyV)},
		edit.Field{Key: "every_s", Value: number64(w.EveryS)},
	)
}

var notOfID = regexp.MustCompile(`[^a-z0-9-]+`)

// busOf returns the configuration's name of a bus, which it declares where it is not.
func busOf(d *edit.Document, name string) (string, error) {
	if d.Find("bus", "name", name) >= 0 {
		return name, nil
	}
	for i := range d.Len("bus") {
		for _, key := range []string{"device", "name"} {
			if device, ok := d.TextAt(edit.Join(edit.At("bus", i), key)); ok && sameBus(device, name) {
				if own, ok := d.TextAt(edit.Join(edit.At("bus", i), "name")); ok {
					return own, nil
				}
			}
		}
	}
	own := "board"
	if d.Find("bus", "name", own) >= 0 {
		own = "bus-" + strings.Trim(notOfID.ReplaceAllString(strings.ToLower(name), "-"), "-")
	}
	_, err := d.Append("bus", edit.Field{Key: "name", Value: edit.Text(own)}, edit.Field{Key: "device", Value: edit.Text(name)})
	return own, err
}

// quantity writes a value of a channel as a person would, where that reads as the same
// number; else in the channel's own unit. difference is that it is an uncertainty.
func quantity(id telemetry.Channel, v float64, difference bool) edit.Value {
	unit, _ := telemetry.UnitOf(id)
	name, scale := "", 1.0
	switch {
	case id == telemetry.AmbientPressure:
		name, scale = "hPa", 100
	case id == telemetry.AmbientCO:
		name, scale = "ppm", 1e-6
	case unit == telemetry.Pascal:
		name, scale = "bar", 1e5
	case unit == telemetry.Celsius && difference:
		name = "K"
	case unit == telemetry.Humidity && difference:
		name = "%RH"
	}
	if name == "" {
		return edit.Number(v)
	}
	for digits := 1; digits <= 17; digits++ {
		said := strconv.FormatFloat(v/scale, 'g', digits, 64)
		if x, err := strconv.ParseFloat(said, 64); err == nil && x*scale == v {
			if plain := strconv.FormatFloat(x, 'f', -1, 64); len(plain) <= 12 {
				return edit.Text(plain + " " + name)
			}
			break
		}
	}
	return edit.Number(v)
}
