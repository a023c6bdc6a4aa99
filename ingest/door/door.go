// Package door is what every MQTT door does with a message, so that no two of them
// can treat it differently: topic, codec or mapping, gate, sink.
package door

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"ashlamp/ingest"
	"ashlamp/ingest/mapping"
	"ashlamp/ingest/senml"
	"ashlamp/ingest/topic"
	"ashlamp/rules/telemetry"
)

// Here is what a node said of itself.
type Here struct {
	Node string
	Up   bool
	// At is the node's own time of saying it; zero if it gave none, as a last will
	// does.
	At time.Time
	// Received is when the daemon heard it.
	Received time.Time
	// Kept is true where the broker had kept the message from earlier.
	Kept bool
}

// Message is one message as a door received it.
type Message struct {
	Topic   string
	Payload []byte
	// Node is the client's id, where the door knows it.
	Node string
	// Kept is true where the broker had kept the message, retained, from earlier.
	// Nobody knows when it was sent.
	Kept bool
	// Waited is true where the message may have waited in a broker's queue.
	Waited bool
}

// Heard is one message as it was understood, before anything of it was judged.
type Heard struct {
	Message
	Received time.Time
	// Parts are the samples in it, uncalibrated, as the topic or the mapping names their
	// engine. They must not be kept: the judging changes them.
	Parts []mapping.Part
	// Mapped is that the configuration maps the topic.
	Mapped bool
	// Status is set for what a node said of itself.
	Status *Here
	// Refused says why nothing of it can be read, and the mend; empty where something can.
	Refused string
}

// Config is what a [Door] needs. Gate, Sink and Shed must be given.
type Config struct {
	Shed string
	Gate *ingest.Gate
	Sink ingest.Sink
	// Mapping reads what is no SenML; may be nil.
	Mapping *mapping.Map
	// Here, if not nil, hears the nodes' status messages. It must not block.
	Here func(Here)
	// Heard, if not nil, is told of each message, whether or not it is taken. It must
	// not block.
	Heard func(Heard)
	// Now is the daemon's clock; nil means time.Now.
	Now func() time.Time
}

// Door takes messages. It is safe for use by several goroutines.
type Door struct{ config Config }

// New checks the configuration.
func New(c Config) (*Door, error) {
	if c.Gate == nil || c.Sink == nil {
		return nil, errors.New("door needs a gate and a sink")
	}
	if !topic.ValidID(c.Shed) {
		return nil, fmt.Errorf("shed %q is no id; ids are of a-z, 0-9 and -", c.Shed)
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	return &Door{config: c}, nil
}

// Shed returns the shed's id.
func (d *Door) Shed() string { return d.config.Shed }

// Filters returns the topic filters of all that the door takes.
func (d *Door) Filters() []string {
	return append(topic.Filters(d.config.Shed), d.config.Mapping.Filters()...)
}

// Takes reports what a topic carries for this shed: mapped is true for one that the
// mapping takes; otherwise Kind is Other for one that the door refuses.
func (d *Door) Takes(name string) (t topic.Topic, mapped bool) {
	t, err := topic.Parse(name)
	if err == nil && t.Shed == d.config.Shed {
		return t, false
	}
	return topic.Topic{}, d.config.Mapping.Matches(name)
}

// Refuse counts and logs a message that a door will not take.
func (d *Door) Refuse(name, kind, text string) {
	d.config.Gate.Trouble(d.config.Now(), name, kind, text)
}

// Take takes a message. Unless it returns an error, done is called exactly once: with
// nil when the message's samples are on disk or when it was refused, counted and
// logged (then at once), and with why not when they could not be stored. done must
// not block; it may be nil. taken is false for a message that was refused whole. The
// error is that ctx ended or the sink was closed; then done is not called, and the
// message must not be acknowledged.
func (d *Door) Take(ctx context.Context, m Message, done func(error)) (taken bool, err error) {
	if done == nil {
		done = func(error) {}
	}
	now := d.config.Now()
	d.config.Gate.Counters().Messages.Add(1)
	t, mapped := d.Takes(m.Topic)
	var parts []mapping.Part
	heard := Heard{Message: m, Received: now, Mapped: mapped}
	switch {
	case mapped:
		parts, heard.Refused = d.mapped(m, now)
	case t.Kind == topic.NodeHere:
		heard.Status, heard.Refused = d.here(t.Name, m, now)
		d.tell(heard)
		done(nil)
		return heard.Refused == "", nil
	case t.Kind == topic.EngineSamples || t.Kind == topic.ShedSamples:
		parts, heard.Refused = d.pack(t, m, now)
	default:
		heard.Refused = d.wrongTopic(m.Topic, now)
	}
	heard.Parts = parts
	d.tell(heard)
	batches := parts[:0]
	for _, p := range parts {
		p.Samples = d.config.Gate.Admit(now, m.Topic, p.Engine, p.Samples)
		if len(p.Samples) > 0 {
			batches = append(batches, p)
		}
	}
	if len(batches) == 0 {
		done(nil)
		return false, nil
	}
	if len(batches) > 1 {
		done = joined(len(batches), done)
	}
	for _, p := range batches {
		node := p.Node
		if node == "" {
			node = m.Node
		}
		b := ingest.Batch{Engine: p.Engine, Node: node, Received: now, Samples: p.Samples, Done: done}
		if err := d.config.Sink.Offer(ctx, b); err != nil {
			// Of several parts the earlier ones may be stored; since done is then
			// never called in full, the message comes again and they are found to
			// be held already.
			return true, fmt.Errorf("hand on samples of %s: %w", m.Topic, err)
		}
	}
	return true, nil
}

func (d *Door) tell(h Heard) {
	if d.config.Heard != nil {
		d.config.Heard(h)
	}
}

// joined returns a done that calls another once n parts are done, with the first
// error if there was one.
func joined(n int, done func(error)) func(error) {
	var left atomic.Int64
	left.Store(int64(n))
	var once sync.Once
	var first error
	return func(err error) {
		if err != nil {
			once.Do(func() { first = err })
		}
		if left.Add(-1) == 0 {
			done(first)
		}
	}
}

func (d *Door) wrongTopic(name string, now time.Time) string {
	text := "message refused, this shed is " + d.config.Shed
	if t, err := topic.Parse(name); err != nil {
		text = err.Error()
	} else if t.Shed == d.config.Shed {
		text = "message refused, only this daemon publishes here"
	}
	d.config.Gate.Trouble(now, name, ingest.WrongTopic, text)
	return text
}

// pack reads a SenML pack; why says why nothing of it can be read.
func (d *Door) pack(t topic.Topic, m Message, now time.Time) (parts []mapping.Part, why string) {
	o := senml.Options{}
	if m.Kept {
		o.Times = senml.AbsoluteTimes
	} else if m.Waited {
		o.Times = senml.DoubtedTimes
	}
	read := o.DecodeJSON
	if t.CBOR {
		read = o.DecodeCBOR
	}
	p, err := read(m.Payload, now)
	if err != nil {
		kind := string(senml.Malformed)
		var r *senml.Refusal
		if errors.As(err, &r) {
			kind = string(r.Kind)
		}
		why = "pack refused: " + err.Error()
		d.config.Gate.Trouble(now, m.Topic, kind, why)
		return nil, why
	}
	for _, pr := range p.Problems {
		verb := "refused"
		if pr.Kept {
			verb = "kept as bad"
		}
		text := fmt.Sprintf("record %d %s: %s", pr.Record, verb, pr.Text)
		d.config.Gate.Trouble(now, m.Topic, string(pr.Kind), text)
		if len(p.Samples) == 0 {
			why = text
		}
	}
	return []mapping.Part{{Engine: t.Engine, Samples: p.Samples}}, why
}

// mapped reads a message of a node that speaks something else; why says why nothing of
// it can be read.
func (d *Door) mapped(m Message, now time.Time) (parts []mapping.Part, why string) {
	if m.Kept {
		why = "reading refused: the broker had kept it, and when it was measured is not known; let the node send without retain"
		d.config.Gate.Trouble(now, m.Topic, ingest.Untimed, why)
		return nil, why
	}
	parts, problems := d.config.Mapping.Decode(m.Topic, m.Payload, now)
	for _, pr := range problems {
		text := "reading refused: " + pr.Text
		d.config.Gate.Trouble(now, m.Topic, string(pr.Kind), text)
		if len(parts) == 0 {
			why = text
		}
	}
	if m.Waited {
		for _, p := range parts {
			for i := range p.Samples {
				p.Samples[i].Quality = telemetry.Uncertain
				p.Samples[i].Reason = "has no time of its own and may have waited in the broker"
			}
		}
	}
	return parts, why
}

// maxStatus is the largest status message, in bytes; our own limit.
const maxStatus = 4096

// here reads a node's status; why says why it cannot be read. An empty message is how
// MQTT clears a kept one: it says nothing of the node.
func (d *Door) here(node string, m Message, now time.Time) (said *Here, why string) {
	if len(m.Payload) == 0 {
		return nil, ""
	}
	h := Here{Node: node, Received: now, Kept: m.Kept}
	var err error
	if h.Up, h.At, err = status(m.Payload); err != nil {
		d.config.Gate.Trouble(now, m.Topic, ingest.BadStatus, err.Error())
		return nil, err.Error()
	}
	if d.config.Here != nil {
		d.config.Here(h)
	}
	return &h, ""
}

// status reads {"up":true,"t":…}; t is Unix seconds or RFC 3339 and may be missing.
func status(payload []byte) (up bool, at time.Time, err error) {
	const mend = `send {"up":true,"t":…}, with t in Unix seconds`
	if len(payload) > maxStatus {
		return false, at, fmt.Errorf("status of %d bytes is larger than %d; %s", len(payload), maxStatus, mend)
	}
	var s struct {
		Up *bool           `json:"up"`
		T  json.RawMessage `json:"t"`
	}
	if err := json.Unmarshal(payload, &s); err != nil {
		return false, at, fmt.Errorf("status cannot be read: %w; %s", err, mend)
	}
	if s.Up == nil {
		return false, at, fmt.Errorf("status does not say up; %s", mend)
	}
	if len(s.T) == 0 || string(s.T) == "null" {
		return *s.Up, at, nil
	}
	var sec float64
	if err := json.Unmarshal(s.T, &sec); err == nil {
		const year2106 = 1 << 32
		if !(sec >= 0 && sec < year2106) {
			return false, at, fmt.Errorf("status has the time %g; %s", sec, mend)
		}
		return *s.Up, time.UnixMicro(int64(math.Round(sec * 1e6))).UTC(), nil
	}
	if err := json.Unmarshal(s.T, &at); err != nil {
		return false, time.Time{}, fmt.Errorf("status has the time %.40s; %s", s.T, mend)
	}
	return *s.Up, at.UTC(), nil
}

// StatusFor is how long the daemon may be believed to be up after it said so: as long as
// a step that it publishes, by the contract.
const StatusFor = 30 * time.Second

// Status writes what the daemon says of itself on sheds/{shed}/daemon/here. That it is up
// goes with until, after which it says so no longer: a broker keeps the word of a daemon
// that hangs.
func Status(up bool, at time.Time) []byte {
	at = at.UTC()
	if !up {
		return fmt.Appendf(nil, `{"up":false,"t":%q}`, at.Format(time.RFC3339))
	}
	return fmt.Appendf(nil, `{"up":true,"t":%q,"until":%q}`, at.Format(time.RFC3339), at.Add(StatusFor).Format(time.RFC3339))
}

// LastWill is what the broker says of the daemon when it loses it. It has no time:
// nobody knows beforehand when that is.
const LastWill = `{"up":false}`
