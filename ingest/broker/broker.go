// Package broker is the door for nodes where no MQTT broker is at hand: an embedded
// one. It speaks MQTT 3.1.1 and 5 and acknowledges a sample sent with QoS 1 only once
// it is on disk.
//
// How the acknowledgement is held back: the library runs OnPublish before it writes
// the PUBACK. The hook hands the samples on and answers packets.ErrRejectPacket, upon
// which the library writes nothing; the PUBACK is written by a goroutine of that
// client's once the commit is done. So neither does one client wait for another's
// commit, nor the committer for a client that does not read. The library then passes
// the message to no subscriber, either; the hook publishes it again after the commit.
package broker

import (
	"bufio"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/topic"
)

// Defaults and limits; each is common practice, no source, unless it says otherwise.
const (
	// DefaultAddress is loopback with the port that IANA assigned to MQTT.
	DefaultAddress = "127.0.0.1:1883"
	// DefaultMaxPacket is the largest MQTT packet that is read, in bytes.
	DefaultMaxPacket = 1 << 20
	// maxClients is the most nodes and readers at once.
	maxClients = 256
	// maxUnacknowledged is how many QoS 1 messages of one client may wait for their
	// commit; beyond it the client's socket is not read. MQTT 5 clients are told it
	// as Receive Maximum.
	maxUnacknowledged = 1024
	// maxPendingWrites is how many messages may wait to be written to one client.
	maxPendingWrites = 1024
	// sessionExpiry is how long the session of a client that is away is kept.
	sessionExpiry = 24 * time.Hour
	// writeTime is how long a client may take to read what is written to it.
	writeTime = 10 * time.Second
)

// Config is what a [Broker] needs. Door and Log must be given.
type Config struct {
	// Address to listen on; empty means [DefaultAddress].
	Address string
	// TLS, if not nil, is spoken on the address.
	TLS *tls.Config
	// Users are names with their passwords; if empty anyone who reaches the address
	// may connect.
	Users map[string]string
	// MaxPacket is the largest packet that is read, in bytes; 0 means
	// [DefaultMaxPacket]. A larger message is refused, counted and acknowledged; an
	// MQTT 5 client, which was told the limit, is disconnected.
	MaxPacket uint32
	Door      *door.Door
	Log       *slog.Logger
	// Now is the clock of the daemon's own status; nil means time.Now.
	Now func() time.Time
}

// Broker is the embedded broker, listening from [New] on.
type Broker struct {
	config Config
	server *mqtt.Server
	hook   *hook
	addr   net.Addr
	once   sync.Once
}

// New opens the address. Run must be called, or Close if it never is.
func New(c Config) (*Broker, error) {
	if c.Door == nil || c.Log == nil {
		return nil, errors.New("broker needs a door and a logger")
	}
	if c.Address == "" {
		c.Address = DefaultAddress
	}
	if c.MaxPacket == 0 {
		c.MaxPacket = DefaultMaxPacket
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = maxClients
	caps.MaximumPacketSize = c.MaxPacket
	caps.MaximumClientWritesPending = maxPendingWrites
	caps.ReceiveMaximum = maxUnacknowledged
	caps.MaximumSessionExpiryInterval = uint32(sessionExpiry / time.Second)
	// Else a node's kept status would vanish after a day.
	caps.MaximumMessageExpiryInterval = 0
	server := mqtt.New(&mqtt.Options{
		Capabilities: caps,
		InlineClient: true,
		// Nobody may read the $SYS topics, and each renewal stops the program a little.
		SysTopicResendInterval: math.MaxInt32,
		// The library logs whole packets; the hook logs what matters.
		Logger: slog.New(slog.DiscardHandler),
	})
	b := &Broker{config: c, server: server}
	b.hook = newHook(b)
	if err := server.AddHook(b.hook, nil); err != nil {
		return nil, fmt.Errorf("prepare the broker: %w", err)
	}
	l, err := net.Listen("tcp", c.Address)
	if err != nil {
		return nil, fmt.Errorf("listen for MQTT on %s: %w; another program may hold the port, give another address", c.Address, err)
	}
	b.addr = l.Addr()
	if c.TLS != nil {
		l = tls.NewListener(l, c.TLS)
	}
	l = &listener{Listener: l, broker: b}
	if err := server.AddListener(listeners.NewNet("mqtt", l)); err != nil {
		_ = l.Close()
		return nil, fmt.Errorf("listen for MQTT on %s: %w", c.Address, err)
	}
	return b, nil
}

// Addr returns the address that the broker listens on.
func (b *Broker) Addr() net.Addr { return b.addr }

// Close stops listening. It is for a broker whose Run is never called.
func (b *Broker) Close() error {
	var err error
	b.once.Do(func() { err = b.server.Close() })
	return err
}

// Run serves until ctx ends and then returns nil, after its clients are disconnected.
func (b *Broker) Run(ctx context.Context) error {
	b.hook.ctx = ctx
	if err := b.server.Serve(); err != nil {
		_ = b.Close()
		return fmt.Errorf("serve MQTT on %s: %w", b.addr, err)
	}
	here := topic.Topic{Kind: topic.DaemonHere, Shed: b.config.Door.Shed()}.String()
	if err := b.Publish(here, door.Status(true, b.config.Now()), true); err != nil {
		b.config.Log.Error("the daemon's own status could not be published", "error", err)
	}
	<-ctx.Done()
	_ = b.Publish(here, door.Status(false, b.config.Now()), true)
	err := b.Close()
	b.hook.acking.Wait()
	if err != nil {
		return fmt.Errorf("close the broker on %s: %w", b.addr, err)
	}
	return nil
}

// Publish sends a message to whoever subscribed to its topic, with QoS 1 for those
// who asked for it; retained messages are also kept for those who come later.
func (b *Broker) Publish(topic string, payload []byte, retained bool) error {
	if err := b.server.Publish(topic, payload, retained, 1); err != nil {
		return fmt.Errorf("publish on %s: %w", topic, err)
	}
	return nil
}

// loginOK compares in constant time.
func (b *Broker) loginOK(user, password []byte) bool {
	if len(b.config.Users) == 0 {
		return true
	}
	want, known := b.config.Users[string(user)]
	w, g := sha256.Sum256([]byte(want)), sha256.Sum256(password)
	return subtle.ConstantTimeCompare(w[:], g[:]) == 1 && known
}

// listener gives each connection what the library does not: a limit on how long a
// write may take, since a client that does not read would hold up whoever writes to
// it; and an answer to oversize packets.
type listener struct {
	net.Listener
	broker *Broker
}

func (l *listener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &conn{Conn: c, broker: l.broker, in: shrinker{
		src: bufio.NewReader(c), limit: int(l.broker.config.MaxPacket), told: l.broker.oversize,
	}}, nil
}

type conn struct {
	net.Conn
	broker *Broker
	in     shrinker
}

func (c *conn) Read(p []byte) (int, error) { return c.in.Read(p) }

func (c *conn) Write(p []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(p)
	if err != nil {
		var timeout net.Error
		if errors.As(err, &timeout) && timeout.Timeout() {
			c.broker.config.Door.Refuse("", ingest.SlowClient, fmt.Sprintf("client from %s disconnected, it did not read for %s", c.RemoteAddr(), writeTime))
		}
		// Half a packet may have gone; the stream is of no more use.
		_ = c.Close()
	}
	return n, err
}

func (b *Broker) oversize(topic string, size int) {
	b.config.Door.Refuse(topic, ingest.PacketTooLarge, fmt.Sprintf("packet of %d bytes refused, at most %d are read; send fewer records in a pack", size, b.config.MaxPacket))
}
