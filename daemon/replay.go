package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"time"

	"ashlamp/daemon/judge"
	"ashlamp/ingest"
	"ashlamp/ingest/senml"
	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
)

// maxLine is the longest line of a recording that is read, in bytes: a pack of
// some tens of thousands of samples.
const maxLine = 4 << 20

// replay judges recorded samples at their own times.
func replay(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	f := flags("replay")
	path := f.String("c", "", "configuration file")
	id := f.String("engine", "", "the engine's id")
	every := f.Duration("forecast", 0, "forecast so often in time of the data, e.g. 10m; 0 for not at all")
	if err := parse(f, args); err != nil {
		return err
	}
	if *every != 0 && *every < time.Second {
		return &wrongUse{fmt.Sprintf("--forecast %s is too often; give 1s or more", *every)}
	}
	c, err := readConfig(*path)
	if err != nil {
		return err
	}
	var eng *engine.Engine
	for i := range c.Engines {
		if c.Engines[i].ID == *id {
			eng = &c.Engines[i]
		}
	}
	if eng == nil {
		return &wrongUse{fmt.Sprintf("engine %q is not in %s; name one that is with --engine", *id, *path)}
	}
	out := bufio.NewWriter(stdout)
	p, err := newPlayer(*eng, c.Shed.Skew, out, stderr)
	if err != nil {
		return err
	}
	if p.every = *every; p.every > 0 {
		if err := p.judge.Foretell(nil); err != nil {
			return err
		}
	}
	files := f.Args()
	if len(files) == 0 {
		files = []string{"-"}
	}
	for _, name := range files {
		if err := p.file(ctx, name, stdin); err != nil {
			return errors.Join(err, out.Flush())
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write to standard output: %w", err)
	}
	if p.wrong > 0 {
		return errTold
	}
	return nil
}

// player feeds the lines of recordings to a judge.
type player struct {
	judge  *rules.Judge
	every  time.Duration // between forecasts; 0 for none
	due    time.Time     // the next of them
	engine string
	gate   *ingest.Gate
	now    time.Time
	out    *json.Encoder
	stderr io.Writer
	name   string
	line   int
	wrong  int
	array  bool // within a SenML array with a record a line
}

func newPlayer(e engine.Engine, skew time.Duration, out, stderr io.Writer) (*player, error) {
	j, err := rules.New(e)
	if err != nil {
		return nil, err
	}
	gate, err := ingest.NewGate(ingest.GateConfig{
		Engines: []string{e.ID}, Skew: skew, Counters: &ingest.Counters{},
		Log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{ReplaceAttr: withoutTime})),
	})
	if err != nil {
		return nil, err
	}
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	return &player{judge: j, engine: e.ID, gate: gate, out: enc, stderr: stderr}, nil
}

// withoutTime leaves the wall clock out of what a replay says: two runs are to
// say the same.
func withoutTime(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

func (p *player) file(ctx context.Context, name string, stdin io.Reader) error {
	r := stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("open recording: %w", err)
		}
		defer f.Close()
		r = f
	}
	p.name, p.line, p.array = name, 0, false
	lines := bufio.NewReaderSize(r, 64<<10)
	for {
		line, err := readLine(lines)
		if len(line) > 0 || err == nil || errors.Is(err, errLong) {
			p.line++
			if errors.Is(err, errLong) {
				p.complain(err)
			} else if e := p.take(bytes.TrimSpace(line)); e != nil {
				p.complain(e)
			}
		}
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil && !errors.Is(err, errLong):
			return fmt.Errorf("read %s after line %d: %w", name, p.line, err)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

var errLong = fmt.Errorf("the line is longer than %d bytes; split the pack", maxLine)

// readLine reads up to the next line end; a line that is too long is read past
// and refused, so that the rest is still read.
func readLine(r *bufio.Reader) ([]byte, error) {
	var line []byte
	long := false
	for {
		part, err := r.ReadSlice('\n')
		if !long && len(line)+len(part) > maxLine {
			long, line = true, nil
		}
		if !long {
			line = append(line, part...)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case long && (err == nil || errors.Is(err, io.EOF)):
			return nil, errLong
		}
		return line, err
	}
}

func (p *player) complain(err error) {
	p.wrong++
	fmt.Fprintf(p.stderr, "%s:%d: %s\n", p.name, p.line, err)
}

// event is a line that is no bare pack.
type event struct {
	T        *time.Time      `json:"t"`
	Pack     json.RawMessage `json:"pack"`
	Confirm  *string         `json:"confirm"`
	Withdraw *string         `json:"withdraw"`
	Disposal *string         `json:"disposal"`
	LayUp    string          `json:"lay_up"`
	Fire     *string         `json:"fire"`
	Node     *string         `json:"node"`
	PutAway  *bool           `json:"put_away"`
	// What people do about alarms, and say of a rest.
	Acknowledge *string    `json:"acknowledge"`
	Shelve      *string    `json:"shelve"`
	Unshelve    *string    `json:"unshelve"`
	Repair      *string    `json:"repair"`
	Done        bool       `json:"done"`
	Wanted      *time.Time `json:"wanted"`
	LookedInto  *bool      `json:"looked_into"`
	Until       *time.Time `json:"until"`
	Why         string     `json:"why"`
	By          string     `json:"by"`
}

func (p *player) take(line []byte) error {
	if len(line) == 0 {
		return nil
	}
	// An array over many lines, a record each, as "ashlamp export" writes one: each record
	// is a pack of its own.
	switch {
	case !p.array && string(line) == "[":
		p.array = true
		return nil
	case p.array && string(line) == "]":
		p.array = false
		return nil
	case p.array && line[0] == '{':
		return p.pack(slices.Concat([]byte{'['}, bytes.TrimSuffix(line, []byte{','}), []byte{']'}), nil)
	case p.array:
		p.array = false
		return errors.New("the SenML array is broken off here; write a record on each of its lines, and ] at its end")
	}
	if line[0] == '[' {
		return p.pack(line, nil)
	}
	var e event
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&e); err != nil {
		return fmt.Errorf("neither a SenML pack nor an event: %w; see the replay lines in the documentation", err)
	}
	if d.More() {
		return errors.New("there is more than one value on the line; write each on a line of its own")
	}
	if e.T == nil {
		return errors.New("the event has no time; add \"t\"")
	}
	at := e.T.UTC().Truncate(telemetry.Resolution)
	if len(e.Pack) > 0 {
		return p.pack(e.Pack, &at)
	}
	ev, err := e.said()
	if err != nil {
		return err
	}
	// A refused line changes nothing, the clock least of all: a slip in its time
	// would make all that follows late.
	// Only for an alarm the moment has to come first: it may have been raised by then.
	switch ev.Kind {
	case telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved:
		if p.judge.Watching(ev.Subject) {
			if err := p.expect(later(p.now, at)); err != nil {
				return err
			}
			p.now = later(p.now, at)
			if err := p.print(p.judge.Advance(p.now)); err != nil {
				return err
			}
		}
	}
	ev.At = later(p.now, at)
	if err := p.judge.Check(ev); err != nil {
		return err
	}
	if err := p.expect(ev.At); err != nil {
		return err
	}
	p.now = ev.At
	if ev.Kind == telemetry.Nothing {
		return p.print(p.judge.Advance(p.now))
	}
	changes, err := p.judge.Hear(ev)
	return errors.Join(p.print(changes), err)
}

// said turns a line into what a person said; kind Nothing for a line that only
// moves the clock.
func (e event) said() (telemetry.Event, error) {
	var out []telemetry.Event
	if e.Confirm != nil {
		out = append(out, telemetry.Event{Kind: telemetry.Confirmed, Subject: *e.Confirm})
	}
	if e.Withdraw != nil {
		out = append(out, telemetry.Event{Kind: telemetry.Withdrawn, Subject: *e.Withdraw})
	}
	if e.Disposal != nil {
		switch *e.Disposal {
		case "begin":
			out = append(out, telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.LayUp(e.LayUp)})
		case "end":
			out = append(out, telemetry.Event{Kind: telemetry.DisposalEnded})
		default:
			return telemetry.Event{}, fmt.Errorf("disposal %q is not known; use \"begin\" or \"end\"", *e.Disposal)
		}
	}
	if e.Fire != nil {
		if *e.Fire != "lit" {
			return telemetry.Event{}, fmt.Errorf("fire %q is not known; use \"lit\"", *e.Fire)
		}
		out = append(out, telemetry.Event{Kind: telemetry.FireLit})
	}
	if e.Node != nil {
		if e.PutAway == nil {
			return telemetry.Event{}, fmt.Errorf("node %q: say \"put_away\": true or false", *e.Node)
		}
		kind := telemetry.NodeBack
		if *e.PutAway {
			kind = telemetry.NodePutAway
		}
		out = append(out, telemetry.Event{Kind: kind, Subject: *e.Node})
	}
	out = append(out, e.done()...)
	switch telemetry.LayUp(e.LayUp) {
	case "", telemetry.Short, telemetry.Dry, telemetry.Wet:
	default:
		return telemetry.Event{}, fmt.Errorf("lay_up %q is not known; use \"short\", \"dry\" or \"wet\"", e.LayUp)
	}
	switch len(out) {
	case 0:
		return telemetry.Event{}, nil
	case 1:
		out[0].By = e.By
		return out[0], nil
	}
	return telemetry.Event{}, errors.New("the line says more than one thing; write each on a line of its own")
}

// done is what a line says of alarms and of a rest.
func (e event) done() (out []telemetry.Event) {
	for _, a := range []struct {
		watch *string
		kind  telemetry.Kind
	}{{e.Acknowledge, telemetry.AlarmAcknowledged}, {e.Shelve, telemetry.AlarmShelved}, {e.Unshelve, telemetry.AlarmUnshelved}} {
		if a.watch == nil {
			continue
		}
		ev := telemetry.Event{Kind: a.kind, Subject: *a.watch, Why: e.Why}
		if e.Until != nil {
			ev.Until = e.Until.UTC()
		}
		out = append(out, ev)
	}
	if e.Repair != nil {
		kind := telemetry.RepairBooked
		if e.Done {
			kind = telemetry.RepairDone
		}
		out = append(out, telemetry.Event{Kind: kind, Subject: *e.Repair})
	}
	if e.Wanted != nil {
		out = append(out, telemetry.Event{Kind: telemetry.NextWanted, Until: e.Wanted.UTC()})
	}
	if e.LookedInto != nil && *e.LookedInto {
		out = append(out, telemetry.Event{Kind: telemetry.LookedInto})
	}
	return out
}

// pack judges a pack received at a time of its own, or at its own newest.
func (p *player) pack(data []byte, received *time.Time) error {
	now := p.now
	if received != nil {
		now = later(now, *received)
	}
	pack, err := senml.Options{Times: senml.AbsoluteTimes, MaxBytes: maxLine}.DecodeJSON(data, now)
	if err != nil {
		return err
	}
	if received == nil {
		for _, s := range pack.Samples {
			now = later(now, s.At)
		}
	}
	if err := p.expect(now); err != nil {
		return err
	}
	p.now = now
	for _, problem := range pack.Problems {
		fmt.Fprintf(p.stderr, "%s:%d: record %d: %s\n", p.name, p.line, problem.Record, problem.Text)
	}
	var own, shed []telemetry.Sample
	for _, s := range pack.Samples {
		if s.Channel.OfShed() {
			shed = append(shed, s)
		} else {
			own = append(own, s)
		}
	}
	topic := fmt.Sprintf("%s:%d", p.name, p.line)
	admitted := p.gate.Admit(now, topic, "", shed)
	admitted = append(admitted, p.gate.Admit(now, topic, p.engine, own)...)
	return p.print(p.judge.Samples(now, admitted))
}

// silentFor is how far into a silence forecasts are printed: after it the data is as
// good as at its end.
const silentFor = 24 * time.Hour

// expected is a forecast as a line.
type expected struct {
	T        time.Time  `json:"t"`
	Engine   string     `json:"engine"`
	Forecast string     `json:"forecast"`
	Assuming string     `json:"assuming"`
	ETA      *time.Time `json:"eta"`
	Lo       *time.Time `json:"lo"`
	Hi       *time.Time `json:"hi"`
	Text     string     `json:"text,omitempty"`
}

// expect prints the forecasts that are due before a moment, each at its own.
func (p *player) expect(before time.Time) error {
	if p.every == 0 {
		return nil
	}
	if p.due.IsZero() {
		p.due = before.Add(p.every)
		return nil
	}
	until := before
	if end := p.now.Add(silentFor); end.Before(until) {
		until = end
	}
	for ; !p.due.After(until); p.due = p.due.Add(p.every) {
		if err := p.print(p.judge.Advance(p.due)); err != nil {
			return err
		}
		for _, f := range p.judge.Forecasts() {
			m := judge.ForecastOf(f)
			if err := p.out.Encode(expected{p.due, p.engine, m.Forecast, m.Assuming, m.ETA, m.Lo, m.Hi, m.Text}); err != nil {
				return fmt.Errorf("write to standard output: %w", err)
			}
		}
	}
	if p.due.Before(before) {
		p.due = p.due.Add(before.Sub(p.due).Truncate(p.every))
		if p.due.Before(before) {
			p.due = p.due.Add(p.every)
		}
	}
	return nil
}

func (p *player) print(changes []rules.Change) error {
	for _, c := range changes {
		var line any
		switch {
		case c.Step != nil:
			line = c.Step
		case c.Alarm != nil:
			line = c.Alarm
		default:
			continue
		}
		if err := p.out.Encode(line); err != nil {
			return fmt.Errorf("write to standard output: %w", err)
		}
	}
	return nil
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
