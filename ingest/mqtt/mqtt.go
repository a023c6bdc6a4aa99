// Package mqtt is the door to an MQTT 3.1.1 broker that is at hand already.
//
// It subscribes with QoS 1 in a session that outlives the connection, and
// acknowledges a message only once its samples are on disk, or once it was refused,
// counted and logged. Where a commit failed it does not acknowledge, and cuts the
// connection a little later: MQTT sends a message again only on a new connection.
package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/topic"
)

// Defaults and limits; each is common practice, no source.
const (
	// DefaultSettle is how long after a connection a message counts as one that may
	// have waited in the broker.
	DefaultSettle = 5 * time.Second
	// maxUnacknowledged is how many messages may wait for their commit; beyond it
	// the socket is not read. Brokers have a limit of their own, often 20.
	maxUnacknowledged = 1024
	keepAlive         = 15 * time.Second
	pingTimeout       = 5 * time.Second
	dialTimeout       = 5 * time.Second
	writeTimeout      = 5 * time.Second
	subscribeTimeout  = 10 * time.Second
	// reconnectAtMost is the longest pause between two tries to connect.
	reconnectAtMost = 10 * time.Second
	// cutAfter is how long after a failed commit the connection is cut. It gives the
	// disk time; what comes in meanwhile is tried as usual.
	cutAfter = 2 * time.Second
	// partingTime is how long the daemon's last words may take, in all.
	partingTime = time.Second
)

// ErrNotConnected says that there is no connection to the broker just now. What is
// published then is not kept for later: it would be stale.
var ErrNotConnected = errors.New("not connected to the MQTT broker")

// Config is what a [Client] needs. Broker, Door and Log must be given.
type Config struct {
	// Broker is its URL: mqtt://host:1883, or mqtts://host:8883 with TLS.
	Broker string
	// ClientID names the session at the broker, so it must stay the same from one
	// start to the next; empty means "ashlamp-" and the shed's id.
	ClientID string
	// User and Password are given to the broker if User is not empty.
	User, Password string
	// TLS is how mqtts is spoken; nil means the system's certificates.
	TLS  *tls.Config
	Door *door.Door
	Log  *slog.Logger
	// Settle is how long after a connection a sample without a time of its own is
	// kept as uncertain only: it may have waited in the broker. 0 means
	// [DefaultSettle].
	Settle time.Duration
	// Now is the daemon's clock; nil means time.Now.
	Now func() time.Time
}

// Client is the door.
type Client struct {
	config Config
	paho   paho.Client
	here   string // topic of the daemon's own status

	mu   sync.Mutex
	conn *cuttable // the present connection

	settled atomic.Pointer[time.Time] // from when on messages are fresh
	slots   chan struct{}
	acks    chan ack
	cut     chan struct{}
	ctx     context.Context // that of Run
}

type ack struct {
	message paho.Message
	err     error
}

// New checks the configuration; nothing is connected before Run.
func New(c Config) (*Client, error) {
	if c.Door == nil || c.Log == nil {
		return nil, errors.New("MQTT door needs a door and a logger")
	}
	u, err := Address(c.Broker)
	if err != nil {
		return nil, err
	}
	if c.ClientID == "" {
		c.ClientID = "ashlamp-" + c.Door.Shed()
	}
	if c.Settle == 0 {
		c.Settle = DefaultSettle
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	m := &Client{
		config: c,
		here:   topic.Topic{Kind: topic.DaemonHere, Shed: c.Door.Shed()}.String(),
		slots:  make(chan struct{}, maxUnacknowledged),
		acks:   make(chan ack, maxUnacknowledged),
		cut:    make(chan struct{}, 1),
	}
	m.paho = paho.NewClient(m.options(u))
	return m, nil
}

// Address reads the URL of a broker and adds the port that it leaves out. The error says
// what is wrong with it.
func Address(broker string) (*url.URL, error) {
	u, err := url.Parse(broker)
	if err != nil {
		return nil, fmt.Errorf("MQTT broker %q: %w; give mqtt://host:1883 or mqtts://host:8883", broker, err)
	}
	port := "1883"
	switch u.Scheme {
	case "mqtt", "tcp":
	case "mqtts", "ssl", "tls":
		port = "8883"
	default:
		return nil, fmt.Errorf("MQTT broker %q: scheme %q is not known; give mqtt://host:1883 or mqtts://host:8883", broker, u.Scheme)
	}
	if u.Hostname() == "" {
		return nil, fmt.Errorf("MQTT broker %q has no host; give mqtt://host:1883 or mqtts://host:8883", broker)
	}
	if u.User != nil {
		return nil, fmt.Errorf("MQTT broker %q: give user and password by themselves, not in the URL", u.Redacted())
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

func (c *Client) options(u *url.URL) *paho.ClientOptions {
	o := paho.NewClientOptions()
	o.AddBroker(u.String())
	o.SetClientID(c.config.ClientID)
	if c.config.User != "" {
		o.SetUsername(c.config.User)
		o.SetPassword(c.config.Password)
	}
	o.SetProtocolVersion(4) // MQTT 3.1.1
	o.SetCleanSession(false)
	o.SetAutoAckDisabled(true)
	o.SetOrderMatters(true)
	o.SetAutoReconnect(true)
	o.SetConnectRetry(true)
	o.SetConnectRetryInterval(time.Second)
	o.SetMaxReconnectInterval(reconnectAtMost)
	o.SetKeepAlive(keepAlive)
	o.SetPingTimeout(pingTimeout)
	o.SetConnectTimeout(dialTimeout)
	o.SetWriteTimeout(writeTimeout)
	o.SetBinaryWill(c.here, []byte(door.LastWill), 1, true)
	o.SetCustomOpenConnectionFn(c.dial)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { c.take(m) })
	o.SetOnConnectHandler(func(paho.Client) { c.connected() })
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		c.config.Door.Refuse(c.config.Broker, ingest.NoBroker, fmt.Sprintf("connection to the MQTT broker lost: %v; trying again", err))
	})
	o.SetConnectionNotificationHandler(func(_ paho.Client, n paho.ConnectionNotification) {
		if f, ok := n.(paho.ConnectionNotificationFailed); ok {
			c.config.Door.Refuse(c.config.Broker, ingest.NoBroker, fmt.Sprintf("MQTT broker cannot be reached or refuses: %v; trying again", f.Reason))
		}
	})
	return o
}

// dial opens a connection and remembers it, so that it can be cut.
func (c *Client) dial(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(c.ctx, dialTimeout)
	defer cancel()
	var conn net.Conn
	var err error
	switch u.Scheme {
	case "mqtts", "ssl", "tls":
		conn, err = (&tls.Dialer{Config: c.config.TLS}).DialContext(ctx, "tcp", u.Host)
	default:
		conn, err = (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	}
	if err != nil {
		return nil, err
	}
	// Messages of an older session may come before the connection is reported.
	settled := c.config.Now().Add(c.config.Settle)
	c.settled.Store(&settled)
	cut := &cuttable{Conn: conn}
	c.mu.Lock()
	c.conn = cut
	c.mu.Unlock()
	return cut, nil
}

// cuttable is a connection that we can end so that the library takes it for lost: it
// takes the error of a connection closed on this side for its own doing, and would
// stay without one for ever.
type cuttable struct {
	net.Conn
	cut atomic.Bool
}

var errCut = errors.New("connection cut, so that the broker sends again what was not stored")

func (c *cuttable) Cut() {
	c.cut.Store(true)
	_ = c.Close()
}

func (c *cuttable) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if err != nil && c.cut.Load() {
		err = errCut
	}
	return n, err
}

func (c *cuttable) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	if err != nil && c.cut.Load() {
		err = errCut
	}
	return n, err
}

// connected subscribes, also if the broker has kept the session: the configuration
// may have changed, and it makes the broker send the nodes' kept status again.
func (c *Client) connected() {
	c.config.Log.Info("connected to the MQTT broker", "broker", c.config.Broker)
	filters := make(map[string]byte)
	for _, f := range c.config.Door.Filters() {
		filters[f] = 1
	}
	t := c.paho.SubscribeMultiple(filters, nil)
	if !t.WaitTimeout(subscribeTimeout) || t.Error() != nil {
		c.unsubscribed(fmt.Sprint("no answer within ", subscribeTimeout, " ", t.Error()))
		return
	}
	var refused []string
	if s, ok := t.(*paho.SubscribeToken); ok {
		const failure = 0x80 // MQTT 3.1.1 section 3.9.3
		for f, code := range s.Result() {
			if code == failure {
				refused = append(refused, f)
			}
		}
	}
	if len(refused) > 0 {
		c.unsubscribed("the broker does not allow " + strings.Join(refused, ", ") + "; mend its access list")
		return
	}
	if err := c.Publish(c.here, door.Status(true, c.config.Now()), true); err != nil {
		c.config.Log.Warn("the daemon's own status could not be published", "error", err)
	}
}

// unsubscribed starts over: a door that stays connected and hears nothing looks well
// and is not.
func (c *Client) unsubscribed(why string) {
	c.config.Door.Refuse(c.config.Broker, ingest.NoBroker, "cannot subscribe: "+why)
	c.wantCut()
}

// take hands one message on. It runs in the order of arrival, and while it blocks the
// socket is not read.
func (c *Client) take(m paho.Message) {
	select {
	case c.slots <- struct{}{}:
	case <-c.ctx.Done():
		return
	}
	_, err := c.config.Door.Take(c.ctx, door.Message{
		Topic: m.Topic(), Payload: m.Payload(), Kept: m.Retained(),
		Waited: c.config.Now().Before(*c.settled.Load()),
	}, func(err error) { c.acks <- ack{m, err} }) // room for as many as there are slots
	if err != nil {
		<-c.slots
	}
}

// acknowledge answers the messages whose commit is done. The library drops the answer
// to a message of an earlier connection, which comes again on this one.
func (c *Client) acknowledge(quit <-chan struct{}) {
	for {
		select {
		case a := <-c.acks:
			<-c.slots
			if a.err != nil {
				c.wantCut()
				continue
			}
			a.message.Ack()
		case <-quit:
			return
		}
	}
}

func (c *Client) wantCut() {
	select {
	case c.cut <- struct{}{}:
	default:
	}
}

// Run stays connected until ctx ends and then returns nil.
func (c *Client) Run(ctx context.Context) error {
	c.ctx = ctx
	quit := make(chan struct{})
	var acking sync.WaitGroup
	acking.Go(func() { c.acknowledge(quit) })
	c.paho.Connect()
	for {
		select {
		case <-c.cut:
			pause := time.NewTimer(cutAfter)
			select {
			case <-pause.C:
				c.mu.Lock()
				conn := c.conn
				c.mu.Unlock()
				if conn != nil {
					conn.Cut()
				}
				continue
			case <-ctx.Done():
				pause.Stop()
			}
		case <-ctx.Done():
		}
		break
	}
	// A clean goodbye sends no last will, so the daemon says itself that it goes.
	if c.paho.IsConnectionOpen() {
		c.paho.Publish(c.here, 1, true, door.Status(false, c.config.Now())).WaitTimeout(partingTime)
	}
	c.paho.Disconnect(uint(partingTime.Milliseconds()))
	close(quit)
	acking.Wait()
	return nil
}

// Publish sends a message with QoS 0, retained if asked. It returns [ErrNotConnected]
// while there is no connection, and an error if the broker does not read within a few
// seconds.
func (c *Client) Publish(topic string, payload []byte, retained bool) error {
	if !c.paho.IsConnectionOpen() {
		return fmt.Errorf("publish on %s: %w", topic, ErrNotConnected)
	}
	t := c.paho.Publish(topic, 0, retained, payload)
	if !t.WaitTimeout(writeTimeout) {
		return fmt.Errorf("publish on %s: the MQTT broker did not read within %s", topic, writeTimeout)
	}
	if err := t.Error(); err != nil {
		return fmt.Errorf("publish on %s: %w", topic, err)
	}
	return nil
}
