package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/topic"
)

// hook is where the library asks us.
type hook struct {
	mqtt.HookBase
	broker *Broker
	ctx    context.Context // that of Run

	acking sync.WaitGroup
	mu     sync.Mutex
	states map[*mqtt.Client]*state
}

// state is what the hook keeps for a connection.
type state struct {
	// slots has one for each QoS 1 message that waits for its commit.
	slots chan struct{}
	// acks has the messages whose commit is done. As large as slots, it never blocks.
	acks chan ack
	quit chan struct{}
	// superseded: the same client has connected anew, so its old connection's end
	// says nothing of it.
	superseded atomic.Bool
}

type ack struct {
	id      uint16
	topic   string
	payload []byte // nil where it is not to be passed on
	err     error
}

func newHook(b *Broker) *hook {
	return &hook{broker: b, states: make(map[*mqtt.Client]*state)}
}

// ID names the hook.
func (h *hook) ID() string { return "samples" }

// Provides says which questions the hook answers.
func (h *hook) Provides(b byte) bool {
	return bytes.IndexByte([]byte{
		mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSessionEstablish, mqtt.OnSessionEstablished,
		mqtt.OnDisconnect, mqtt.OnPublish, mqtt.OnWill, mqtt.OnWillSent, mqtt.OnPacketEncode,
	}, b) >= 0
}

// OnConnectAuthenticate checks user and password.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	if h.broker.loginOK(pk.Connect.Username, pk.Connect.Password) {
		return true
	}
	h.broker.config.Door.Refuse("client "+cl.ID, ingest.BadLogin, fmt.Sprintf("client from %s refused, its user or password is wrong", cl.Net.Remote))
	return false
}

// OnACLCheck lets anyone write, since OnPublish judges each message and can tell what
// is wrong with it, and lets readers have what the contract or the mapping names.
func (h *hook) OnACLCheck(_ *mqtt.Client, name string, write bool) bool {
	if write {
		return true
	}
	if strings.HasPrefix(name, "$") {
		return strings.HasPrefix(name, "$share/") // what it delivers is judged by its own name
	}
	if strings.ContainsAny(name, "+#") {
		return true // a filter: what it delivers is judged by its own name
	}
	t, mapped := h.broker.config.Door.Takes(name)
	return mapped || t.Kind != topic.Other
}

// OnPacketEncode tells MQTT 5 clients the largest packet, which the library does not.
func (h *hook) OnPacketEncode(_ *mqtt.Client, pk packets.Packet) packets.Packet {
	if pk.FixedHeader.Type == packets.Connack {
		pk.Properties.MaximumPacketSize = h.broker.config.MaxPacket
	}
	return pk
}

// OnSessionEstablish marks an older connection of the same client.
func (h *hook) OnSessionEstablish(cl *mqtt.Client, _ packets.Packet) {
	if old, ok := h.broker.server.Clients.Get(cl.ID); ok {
		if s := h.state(old); s != nil {
			s.superseded.Store(true)
		}
	}
}

// OnSessionEstablished starts the client's acknowledging.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	s := &state{
		slots: make(chan struct{}, maxUnacknowledged),
		acks:  make(chan ack, maxUnacknowledged),
		quit:  make(chan struct{}),
	}
	h.mu.Lock()
	h.states[cl] = s
	h.mu.Unlock()
	h.acking.Go(func() { h.acknowledge(cl, s) })
}

// OnDisconnect ends it and tells of what the library found wrong.
func (h *hook) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	h.mu.Lock()
	s := h.states[cl]
	delete(h.states, cl)
	h.mu.Unlock()
	if s != nil {
		close(s.quit)
	}
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.broker.config.Door.Refuse("client "+cl.ID, ingest.PacketTooLarge,
			fmt.Sprintf("client from %s disconnected, it sent a packet of more than %d bytes; send fewer records in a pack", cl.Net.Remote, h.broker.config.MaxPacket))
	}
}

func (h *hook) state(cl *mqtt.Client) *state {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.states[cl]
}

// acknowledge writes the PUBACKs of one client.
func (h *hook) acknowledge(cl *mqtt.Client, s *state) {
	for {
		select {
		case a := <-s.acks:
			<-s.slots
			if a.err != nil {
				// Without its PUBACK a client sends a message again only on a new
				// connection.
				cl.Stop(a.err)
				continue
			}
			// An error is that the client has gone: it will send again.
			_ = cl.WritePacket(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: a.id})
			if a.payload != nil {
				h.passOn(a.topic, a.payload)
			}
		case <-s.quit:
			return
		}
	}
}

// passOn gives samples to those who subscribed to them, if there are any.
func (h *hook) passOn(name string, payload []byte) {
	if atomic.LoadInt64(&h.broker.server.Info.Subscriptions) == 0 {
		return
	}
	if err := h.broker.Publish(name, payload, false); err != nil {
		h.broker.config.Log.Warn("samples could not be passed on to subscribers", "topic", name, "error", err)
	}
}

// OnPublish takes what clients send. packets.CodeSuccessIgnore acknowledges a message
// that goes nowhere; packets.ErrRejectPacket leaves it unacknowledged.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	if pk.TopicName == oversizeTopic {
		return pk, packets.CodeSuccessIgnore // told already
	}
	d := h.broker.config.Door
	// RETAIN on what a client sends only asks to keep it; the message is fresh.
	m := door.Message{Topic: pk.TopicName, Payload: pk.Payload, Node: cl.ID}
	t, mapped := d.Takes(pk.TopicName)
	samples := mapped || t.Kind == topic.EngineSamples || t.Kind == topic.ShedSamples
	switch {
	case !samples:
		taken, err := d.Take(h.ctx, m, nil)
		if err != nil {
			return pk, packets.ErrRejectPacket
		}
		if !taken {
			return pk, packets.CodeSuccessIgnore
		}
		return pk, nil // a node's status: kept and passed on as usual
	case pk.FixedHeader.Qos == 0:
		taken, err := d.Take(h.ctx, m, nil)
		if err != nil || !taken {
			return pk, packets.CodeSuccessIgnore
		}
		// Kept samples would be old ones to whoever comes later.
		pk.FixedHeader.Retain = false
		return pk, nil
	case pk.FixedHeader.Qos == 1:
		h.hold(cl, pk.PacketID, m)
		return pk, packets.ErrRejectPacket
	default:
		return h.exactlyOnce(cl, pk, m)
	}
}

// hold hands on a QoS 1 message and has it acknowledged when it is committed.
func (h *hook) hold(cl *mqtt.Client, id uint16, m door.Message) {
	s := h.state(cl)
	if s == nil {
		return
	}
	select {
	case s.slots <- struct{}{}:
	case <-h.ctx.Done():
		return
	}
	// Take may call done before it returns, so done must know by itself whether the
	// message is one to pass on: only one whose samples went through the sink is.
	a := &pending{state: s, ack: ack{id: id, topic: m.Topic, payload: m.Payload}}
	taken, err := h.broker.config.Door.Take(h.ctx, m, a.done)
	if err != nil {
		<-s.slots
		return
	}
	a.returned(taken)
}

// pending joins the end of Take and the end of the commit, whichever is first.
type pending struct {
	state *state
	ack   ack
	mu    sync.Mutex
	ready bool
}

func (p *pending) done(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ack.err = err
	p.step()
}

func (p *pending) returned(taken bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !taken {
		p.ack.payload = nil
	}
	p.step()
}

// step acts at the second call; there is room in acks for as many as there are slots.
func (p *pending) step() {
	if p.ready {
		p.state.acks <- p.ack
	}
	p.ready = true
}

// exactlyOnce takes a QoS 2 message, which the contract does not name: its client
// waits for each commit.
func (h *hook) exactlyOnce(cl *mqtt.Client, pk packets.Packet, m door.Message) (packets.Packet, error) {
	committed := make(chan error, 1)
	taken, err := h.broker.config.Door.Take(h.ctx, m, func(err error) { committed <- err })
	if err != nil {
		return pk, packets.ErrRejectPacket
	}
	select {
	case err = <-committed:
	case <-h.ctx.Done():
		err = h.ctx.Err()
	}
	if err != nil {
		cl.Stop(err)
		return pk, packets.ErrRejectPacket
	}
	if !taken {
		return pk, packets.CodeSuccessIgnore
	}
	pk.FixedHeader.Retain = false
	return pk, nil
}

// OnWill judges a last will before it is sent; the library asks no other question
// about it. A will with no topic goes nowhere.
func (h *hook) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	nowhere := mqtt.Will{}
	if s := h.state(cl); h.ctx.Err() != nil || s != nil && s.superseded.Load() {
		return nowhere, nil
	}
	if t, _ := h.broker.config.Door.Takes(will.TopicName); t.Kind != topic.NodeHere {
		h.broker.config.Door.Refuse(will.TopicName, ingest.BadWill, fmt.Sprintf("last will of client %q refused; a node's last will goes to sheds/%s/nodes/{node}/here", cl.ID, h.broker.config.Door.Shed()))
		return nowhere, nil
	}
	return will, nil
}

// OnWillSent hears the last will of a node that was lost.
func (h *hook) OnWillSent(cl *mqtt.Client, pk packets.Packet) {
	if pk.TopicName == "" || h.ctx.Err() != nil {
		return
	}
	_, _ = h.broker.config.Door.Take(h.ctx, door.Message{Topic: pk.TopicName, Payload: pk.Payload, Node: cl.ID}, nil)
}
