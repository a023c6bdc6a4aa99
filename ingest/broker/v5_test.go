package broker_test

import (
	"bufio"
	"bytes"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"

	"ashlamp/ingest"
	"ashlamp/ingest/broker"
	"ashlamp/ingest/door/doortest"
	"ashlamp/rules/telemetry"
)

// v5 is a client of MQTT 5, packet by packet.
type v5 struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func (c *v5) write(encode func(*bytes.Buffer) error) {
	c.t.Helper()
	var b bytes.Buffer
	if err := encode(&b); err != nil {
		c.t.Fatal(err)
	}
	if _, err := c.conn.Write(b.Bytes()); err != nil {
		c.t.Fatal(err)
	}
}

// read returns a packet's type and body, type 0 at the end of the connection.
func (c *v5) read() (kind byte, body []byte) {
	c.t.Helper()
	b, err := c.in.ReadByte()
	if err != nil {
		return 0, nil
	}
	n, _, err := packets.DecodeLength(c.in)
	if err != nil {
		c.t.Fatal(err)
	}
	body = make([]byte, n)
	if _, err := io.ReadFull(c.in, body); err != nil {
		c.t.Fatal(err)
	}
	return b >> 4, body
}

func (c *v5) publish(topic, payload string, id uint16) {
	c.t.Helper()
	pk := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1}, TopicName: topic, Payload: []byte(payload), PacketID: id}
	c.write(pk.PublishEncode)
}

func dialV5(t *testing.T, url string) (*v5, packets.Packet) {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(url, "mqtt://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	c := &v5{t: t, conn: conn, in: bufio.NewReader(conn)}
	pk := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Connect}}
	pk.Connect = packets.ConnectParams{ProtocolName: []byte("MQTT"), Clean: true, Keepalive: 30, ClientIdentifier: "box-5"}
	c.write(pk.ConnectEncode)
	kind, body := c.read()
	ack := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Connack}}
	if err := ack.ConnackDecode(body); err != nil || kind != packets.Connack || ack.ReasonCode != 0 {
		t.Fatalf("got packet %d reason %d, %v, want a CONNACK", kind, ack.ReasonCode, err)
	}
	return c, ack
}

func TestMQTT5(t *testing.T) {
	r := doortest.NewRig(t)
	_, url, _ := open(t, r.Door, nil)
	c, ack := dialV5(t, url)
	if got := ack.Properties.MaximumPacketSize; got != broker.DefaultMaxPacket {
		t.Errorf("told that packets may have %d bytes, want %d", got, broker.DefaultMaxPacket)
	}
	if got := ack.Properties.ReceiveMaximum; got != 1024 {
		t.Errorf("told a Receive Maximum of %d, want 1024", got)
	}
	for i, m := range []struct{ topic, payload string }{
		{samples, pack(doortest.Now, 5)},
		{samples, `[{"n":"fire`},
		{"elsewhere", "x"},
		{step, `{"verdict":"proven"}`},
	} {
		id := uint16(i + 1)
		c.publish(m.topic, m.payload, id)
		kind, body := c.read()
		puback := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Puback, Remaining: len(body)}}
		if err := puback.PubackDecode(body); err != nil || kind != packets.Puback || puback.PacketID != id || puback.ReasonCode >= 0x80 {
			t.Fatalf("publish on %s: got packet %d, %+v, %v, want a PUBACK", m.topic, kind, puback.PacketID, err)
		}
	}
	if _, ok := r.Store.Get("quillet", telemetry.Firebox, doortest.Now); !ok {
		t.Error("acknowledged and not stored")
	}
	// The broker ends the connection on reading the length: the rest of the packet may
	// meet a closed socket while it is still being written, which is as good an end.
	pk := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1}, TopicName: samples, Payload: make([]byte, broker.DefaultMaxPacket), PacketID: 9}
	var over bytes.Buffer
	if err := pk.PublishEncode(&over); err != nil {
		t.Fatal(err)
	}
	_, _ = c.conn.Write(over.Bytes())
	for kind := byte(1); kind != 0; {
		if kind, _ = c.read(); kind == packets.Puback {
			t.Error("an oversize packet of a client that was told the limit was acknowledged")
		}
	}
	doortest.Until(t, "it to be counted", func() bool { return r.Gate.Counters().Trouble(ingest.PacketTooLarge) == 1 })
}
