package setup

import (
	"cmp"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"ashlamp/dashboard/message"
	"ashlamp/ingest/door"
	"ashlamp/ingest/senml"
	"ashlamp/ingest/topic"
	"ashlamp/rules/telemetry"
)

// What an [Ear] remembers at most: whoever reaches the broker may invent ids for ever.
// A shed has a few nodes with a dozen channels each. Common practice, no source.
const (
	maxNodes    = 64
	maxSends    = 128
	maxRefused  = 64
	maxNumbers  = 32
	maxPayload  = 400
	maxTopic    = 256
	maxNameRune = 120
)

// Ear remembers what was heard over MQTT, whether or not anything takes it: so a node
// can be seen before there is an engine to give its samples to. It forgets what was
// not heard for longest. It is safe for use by several goroutines.
type Ear struct {
	mu      sync.Mutex
	nodes   map[string]*heardNode
	alias   map[string]string // the id that a client gave itself in its status, by client
	refused map[string]*message.SetupRefusal
}

type heardNode struct {
	up       *bool
	last     time.Time
	messages int
	sends    map[sendKey]*message.SetupSend
}

type sendKey struct {
	topic   string
	channel telemetry.Channel
}

// NewEar returns one that has heard nothing.
func NewEar() *Ear {
	return &Ear{nodes: map[string]*heardNode{}, alias: map[string]string{}, refused: map[string]*message.SetupRefusal{}}
}

// Hear takes what a door heard. It does not block for long.
func (e *Ear) Hear(h door.Heard) {
	e.mu.Lock()
	defer e.mu.Unlock()
	id := clip(h.Node, maxNameRune)
	if known, ok := e.alias[id]; ok && id != "" {
		id = known
	}
	if h.Status != nil {
		id = e.rename(id, h.Status.Node)
	}
	n := e.node(id, h.Received)
	if h.Status != nil {
		up := h.Status.Up
		n.up = &up
	}
	for _, p := range h.Parts {
		e.send(n, h, p.Engine, p.Node, p.Samples)
	}
	if h.Refused == "" {
		return
	}
	// A pack for another shed is understood all the same, so that a person sees which
	// node must be mended, or that the shed's id must.
	t, err := topic.Parse(h.Topic)
	if err == nil && !h.Mapped && len(h.Parts) == 0 {
		if pack, ok := decode(t, h); ok {
			e.send(n, h, t.Engine, "", pack)
		}
	}
	e.refuse(h, id, h.Refused)
	if err == nil {
		// It is one of the contract's topics: there is nothing to be mapped.
		e.refused[clip(h.Topic, maxTopic)].Numbers = nil
	}
}

func decode(t topic.Topic, h door.Heard) ([]telemetry.Sample, bool) {
	if t.Kind != topic.EngineSamples && t.Kind != topic.ShedSamples {
		return nil, false
	}
	read := senml.Options{}.DecodeJSON
	if t.CBOR {
		read = senml.Options{}.DecodeCBOR
	}
	p, err := read(h.Payload, h.Received)
	return p.Samples, err == nil
}

// rename gives a client the id that it calls itself by.
func (e *Ear) rename(client, name string) string {
	if client == "" || client == name {
		return name
	}
	if len(e.alias) < 4*maxNodes {
		e.alias[client] = name
	}
	if old, ok := e.nodes[client]; ok {
		delete(e.nodes, client)
		if _, there := e.nodes[name]; !there {
			e.nodes[name] = old
		}
	}
	return name
}

func (e *Ear) node(id string, at time.Time) *heardNode {
	n, ok := e.nodes[id]
	if !ok {
		if len(e.nodes) >= maxNodes {
			delete(e.nodes, oldest(e.nodes, func(n *heardNode) time.Time { return n.last }))
		}
		n = &heardNode{sends: map[sendKey]*message.SetupSend{}}
		e.nodes[id] = n
	}
	n.last = at
	n.messages++
	return n
}

func oldest[K cmp.Ordered, V any](m map[K]V, at func(V) time.Time) K {
	var first K
	begun := false
	for k, v := range m {
		if !begun || at(v).Before(at(m[first])) || at(v).Equal(at(m[first])) && k < first {
			first, begun = k, true
		}
	}
	return first
}

func (e *Ear) send(n *heardNode, h door.Heard, engine, node string, samples []telemetry.Sample) {
	if node != "" && node != h.Node {
		// The mapping names the box that the reading is of.
		n = e.node(node, h.Received)
	}
	shed := ""
	if t, err := topic.Parse(h.Topic); err == nil {
		shed = t.Shed
	}
	for _, s := range samples {
		if s.Channel.OfShed() != (engine == "") {
			why := string(s.Channel) + " came on a topic of the shed and belongs to an engine; send it to sheds/{shed}/engines/{engine}/samples"
			if engine != "" {
				why = string(s.Channel) + " came on an engine's topic and belongs to the shed; send it to sheds/{shed}/samples"
			}
			e.refuse(h, h.Node, why)
			continue
		}
		k := sendKey{clip(h.Topic, maxTopic), s.Channel}
		old, ok := n.sends[k]
		if !ok {
			if len(n.sends) >= maxSends {
				continue // a node of a hundred channels is shown with as many
			}
			old = &message.SetupSend{Topic: k.topic, Shed: shed, Engine: engine, ID: s.Channel}
			n.sends[k] = old
			old.Unit, _ = telemetry.UnitOf(s.Channel)
		}
		if ok && s.At.After(old.At) {
			old.IntervalS = s.At.Sub(old.At).Seconds()
		}
		if ok && s.At.Before(old.At) {
			continue
		}
		old.Value = nil
		if s.Quality != telemetry.Bad && s.Value-s.Value == 0 { // finite
			v := s.Value
			old.Value = &v
		}
		old.Quality, old.Reason, old.At, old.Received = s.Quality, clip(s.Reason, maxNameRune), s.At, h.Received
	}
}

func (e *Ear) refuse(h door.Heard, node, why string) {
	name := clip(h.Topic, maxTopic)
	r, ok := e.refused[name]
	if !ok {
		if len(e.refused) >= maxRefused {
			delete(e.refused, oldest(e.refused, func(r *message.SetupRefusal) time.Time { return r.Last }))
		}
		r = &message.SetupRefusal{Topic: name}
		e.refused[name] = r
	}
	r.Node, r.Last, r.Why = node, h.Received, why
	r.Times++
	r.Payload, r.Numbers = preview(h.Payload), numbers(h.Payload)
}

// Forget lets go of what was refused: the configuration has changed, and what is
// refused from now on is something else.
func (e *Ear) Forget() {
	e.mu.Lock()
	defer e.mu.Unlock()
	clear(e.refused)
}

// Nodes returns what was heard, the newest first. taken tells whether the configuration
// has a channel for an engine's samples of a shed.
func (e *Ear) Nodes(taken func(shed, engine string, c telemetry.Channel) bool) []message.SetupNode {
	e.mu.Lock()
	defer e.mu.Unlock()
	var out []message.SetupNode
	for id, n := range e.nodes {
		if len(n.sends) == 0 && n.up == nil && id == "" {
			continue
		}
		one := message.SetupNode{ID: id, Last: n.last.UTC(), Messages: n.messages}
		if n.up != nil {
			up := *n.up
			one.Up = &up
		}
		for _, s := range n.sends {
			c := *s
			if s.Value != nil {
				v := *s.Value
				c.Value = &v
			}
			c.At, c.Received = s.At.UTC(), s.Received.UTC()
			c.Taken = taken(s.Shed, s.Engine, s.ID)
			one.Sends = append(one.Sends, c)
		}
		slices.SortFunc(one.Sends, func(a, b message.SetupSend) int {
			return cmp.Or(strings.Compare(a.Topic, b.Topic), strings.Compare(string(a.ID), string(b.ID)))
		})
		out = append(out, one)
	}
	slices.SortFunc(out, func(a, b message.SetupNode) int { return cmp.Or(b.Last.Compare(a.Last), strings.Compare(a.ID, b.ID)) })
	return out
}

// Refused returns the topics on which something came that was not taken, the newest first.
func (e *Ear) Refused() []message.SetupRefusal {
	e.mu.Lock()
	defer e.mu.Unlock()
	var out []message.SetupRefusal
	for _, r := range e.refused {
		c := *r
		c.Last = r.Last.UTC()
		c.Numbers = slices.Clone(r.Numbers)
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b message.SetupRefusal) int {
		return cmp.Or(b.Last.Compare(a.Last), strings.Compare(a.Topic, b.Topic))
	})
	return out
}

// preview is the beginning of a payload that is text; empty for one that is not.
func preview(payload []byte) string {
	if !utf8.Valid(payload) {
		return ""
	}
	s := string(payload)
	if strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' && r != '\r' }) {
		return ""
	}
	return clip(s, maxPayload)
}

func clip(s string, most int) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "…"
}

// numbers finds the numbers in a payload by their JSON Pointer (RFC 6901).
func numbers(payload []byte) []message.SetupNumber {
	if len(payload) > 64<<10 {
		return nil
	}
	if v, err := strconv.ParseFloat(strings.TrimSpace(string(payload)), 64); err == nil && v-v == 0 {
		return []message.SetupNumber{{Value: v}}
	}
	var tree any
	if json.Unmarshal(payload, &tree) != nil {
		return nil
	}
	var out []message.SetupNumber
	walk(tree, "", 0, &out)
	slices.SortFunc(out, func(a, b message.SetupNumber) int { return strings.Compare(a.Pointer, b.Pointer) })
	return out
}

// deepest is how far down numbers are looked for. Common practice, no source.
const deepest = 8

func walk(v any, at string, depth int, out *[]message.SetupNumber) {
	if depth > deepest || len(*out) >= maxNumbers {
		return
	}
	switch v := v.(type) {
	case float64:
		*out = append(*out, message.SetupNumber{Pointer: at, Value: v})
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			walk(v[k], at+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(k), depth+1, out)
		}
	case []any:
		for i, e := range v {
			walk(e, at+"/"+strconv.Itoa(i), depth+1, out)
		}
	}
}
