// Package neighbour hears by MQTT what other sheds' daemons say of themselves. It judges
// nothing: what silence means is rules/silence's to say.
package neighbour

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest/mqtt"
	"ashlamp/ingest/topic"
	"ashlamp/rules/silence"
)

// Limits; each is common practice, no source.
const (
	keepAlive   = 15 * time.Second
	pingTimeout = 5 * time.Second
	answerTime  = 5 * time.Second
	// retryFirst and retryMost are the pause between two tries to connect.
	retryFirst = time.Second
	retryMost  = 10 * time.Second
	// maxWord is the most bytes of a daemon's word.
	maxWord = 4096
)

// Config is what a [Listener] needs. All but User, Password and TLS must be given.
type Config struct {
	// Shed is the id of the other shed.
	Shed string
	// Broker is the URL at which its daemon speaks: mqtt://host:1883, or mqtts://.
	Broker string
	// ClientID names this listener at the broker; nobody else there may have it.
	ClientID string
	// User and Password are given to the broker if User is not empty.
	User, Password string
	// TLS is how mqtts is spoken; nil means the system's certificates.
	TLS *tls.Config
	Log *slog.Logger
	// Heard is told of each word, Link of whether there is a connection on which words
	// could come. Neither may block.
	Heard func(silence.Word)
	Link  func(up bool)
}

// Listener listens for one other daemon. Make it with [New].
type Listener struct {
	c    Config
	url  *url.URL
	here string
}

// New checks the configuration; nothing is connected before Run.
func New(c Config) (*Listener, error) {
	if !topic.ValidID(c.Shed) || c.ClientID == "" || c.Log == nil || c.Heard == nil || c.Link == nil {
		return nil, errors.New("listening for a neighbour needs its shed's id, a client id, a logger, and somebody to tell")
	}
	u, err := mqtt.Address(c.Broker)
	if err != nil {
		return nil, fmt.Errorf("neighbour %s: %w", c.Shed, err)
	}
	return &Listener{c: c, url: u, here: topic.Topic{Kind: topic.DaemonHere, Shed: c.Shed}.String()}, nil
}

// Run listens until ctx ends and then returns nil. A broker that cannot be reached is
// tried again for ever.
func (l *Listener) Run(ctx context.Context) error {
	pause, said := retryFirst, ""
	for ctx.Err() == nil {
		err := l.connection(ctx, func() { pause, said = retryFirst, "" })
		l.c.Link(false)
		if ctx.Err() != nil {
			return nil
		}
		// Once for each reason: a shed may be without a network for days.
		if text := err.Error(); text != said {
			l.c.Log.Warn("a neighbour's broker is not heard; trying again", "shed", l.c.Shed, "broker", l.url.Redacted(), "error", err)
			said = text
		}
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
		}
		pause = min(2*pause, retryMost)
	}
	return nil
}

// connection listens as long as one connection lasts and returns why it ended. Each has a
// client of its own: the library's own resumption keeps what has become old.
func (l *Listener) connection(ctx context.Context, open func()) error {
	lost := make(chan error, 1)
	o := paho.NewClientOptions().AddBroker(l.url.String()).SetClientID(l.c.ClientID)
	o.SetProtocolVersion(4) // MQTT 3.1.1
	o.SetCleanSession(true) // what was said while nobody listened is of no use
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetKeepAlive(keepAlive)
	o.SetPingTimeout(pingTimeout)
	o.SetConnectTimeout(answerTime)
	o.SetWriteTimeout(answerTime)
	if l.c.User != "" {
		o.SetUsername(l.c.User)
		o.SetPassword(l.c.Password)
	}
	if l.c.TLS != nil {
		o.SetTLSConfig(l.c.TLS)
	}
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	client := paho.NewClient(o)
	defer client.Disconnect(0)
	if err := answered(ctx, client.Connect()); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	t := client.Subscribe(l.here, 1, func(_ paho.Client, m paho.Message) { l.take(m) })
	if err := answered(ctx, t); err != nil {
		return fmt.Errorf("subscribe to %s: %w", l.here, err)
	}
	if s, ok := t.(*paho.SubscribeToken); ok {
		const failure = 0x80 // MQTT 3.1.1 section 3.9.3
		if s.Result()[l.here] == failure {
			return fmt.Errorf("subscribe to %s: the broker does not allow it; mend its access list", l.here)
		}
	}
	l.c.Link(true)
	l.c.Log.Info("listening for a neighbour", "shed", l.c.Shed, "broker", l.url.Redacted())
	open()
	select {
	case err := <-lost:
		return fmt.Errorf("connection lost: %w", err)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func answered(ctx context.Context, t paho.Token) error {
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return fmt.Errorf("no answer: %w", ctx.Err())
	}
}

func (l *Listener) take(m paho.Message) {
	w, err := parse(m.Payload())
	if err != nil {
		l.c.Log.Warn("what a neighbour says of itself cannot be read", "shed", l.c.Shed, "topic", m.Topic(), "error", err)
		return
	}
	if w == nil {
		return
	}
	w.Kept = m.Retained()
	l.c.Heard(*w)
}

// parse reads a daemon's word; nil for one that was taken off the broker.
func parse(b []byte) (*silence.Word, error) {
	if len(b) == 0 {
		return nil, nil
	}
	if len(b) > maxWord {
		return nil, fmt.Errorf("%d bytes are more than the %d of a daemon's word", len(b), maxWord)
	}
	var s struct {
		Up    *bool      `json:"up"`
		T     *time.Time `json:"t"`
		Until *time.Time `json:"until"`
	}
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, fmt.Errorf("no daemon's word: %w", err)
	}
	if s.Up == nil {
		return nil, errors.New("it does not say whether the daemon is up")
	}
	w := &silence.Word{Up: *s.Up}
	if s.T != nil {
		w.At = *s.T
	}
	if s.Until != nil {
		w.Until = *s.Until
	}
	return w, nil
}
