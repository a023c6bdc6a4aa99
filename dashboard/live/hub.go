// Package live keeps every open page up to date over a WebSocket: a numbered
// snapshot, then changes, and a beat while nothing changes.
//
// # One copy, one number
//
// The hub holds its own copy of what the pages have been told. [Hub.Publish]
// numbers a change, applies it to the copy and puts it before every client within
// one critical section, and a snapshot is that copy with that number. So no change
// is lost or applied twice around a snapshot, whatever the caller locks and however
// many publish at once. Fields that grow old by time alone (age_s, stale) are worked
// out anew each time a snapshot is made.
//
// # Merging
//
// Ten sensors at 50 samples a second would be 500 messages a second, which no
// tablet draws. Readings, sentences and forecasts of an engine are therefore held
// for at most one [Options.Window] and merged, the first of a quiet time going at
// once. What a person acts upon is never held: a change that gives a step or an
// evidence another verdict, a step done, the phase, the front, the lay-up, the
// disposal, an ask, an alarm or a confirmation another value takes along what is
// held and goes at once, as a message of its own. What is held thus never differs
// from what was sent in any of these, so a step that went proven and back within a
// window is two messages, and both are seen. The price is that a verdict that
// flutters is sent as often as it flutters.
//
// # Slow clients
//
// A message is encoded once and put into a bounded queue for each client. A client
// whose queue is full, or whose socket takes nothing for [Options.WriteWait], is cut
// off; it asks again with the number of its last message. Nobody waits for it.
//
// # When in doubt, silence
//
// A page shows no verdict as current once the beats stop. So the hub stops them
// where it cannot vouch for what the pages show: while [Options.Judging] reports an
// error, and by cutting off all clients when a change cannot be encoded.
package live

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"ashlamp/dashboard/message"
)

// Defaults of [Options]. The contract has the page say within 3 s that the link is
// gone, which a beat each second allows to miss twice; the others are common
// practice, no source.
const (
	DefaultBeat       = time.Second
	DefaultWindow     = 100 * time.Millisecond
	DefaultRingCount  = 4096
	DefaultRingBytes  = 4 << 20
	DefaultQueue      = 256
	DefaultMaxClients = 256
	DefaultWriteWait  = 5 * time.Second
	DefaultPongWait   = 20 * time.Second
	DefaultReadLimit  = 4096
)

// Options are what a [Hub] may be told; the zero value of each field means its default.
type Options struct {
	// First is the number before that of the first change; see [FirstNumber].
	First uint64
	// Now is the clock of the data (in a simulation at speed, the simulation's).
	// It is required.
	Now func() time.Time
	// Log gets one line for each client cut off and each failure. It is required.
	Log *slog.Logger
	// Judging returns nil while every engine is being judged, else what is wrong.
	// It is asked before each beat and must not block. Nil means always judging.
	Judging func() error
	// Beats and Windows tell when to beat and when to send what is held; nil means
	// a ticker of DefaultBeat and of Window.
	Beats, Windows <-chan time.Time
	// Window is the longest time for which a reading is held.
	Window time.Duration
	// RingCount and RingBytes bound the changes that are held for clients that
	// come back.
	RingCount, RingBytes int
	// Queue is how many messages may wait for one client.
	Queue int
	// MaxClients is how many may be connected at once; further ones get 503.
	MaxClients int
	// WriteWait is how long a client's socket may take nothing.
	WriteWait time.Duration
	// PongWait is how long a client may give no sign of life; it is asked for one
	// at half that time.
	PongWait time.Duration
}

func (o Options) withDefaults() Options {
	o.Window = cmp.Or(o.Window, DefaultWindow)
	o.RingCount = cmp.Or(o.RingCount, DefaultRingCount)
	o.RingBytes = cmp.Or(o.RingBytes, DefaultRingBytes)
	o.Queue = cmp.Or(o.Queue, DefaultQueue)
	o.MaxClients = cmp.Or(o.MaxClients, DefaultMaxClients)
	o.WriteWait = cmp.Or(o.WriteWait, DefaultWriteWait)
	o.PongWait = cmp.Or(o.PongWait, DefaultPongWait)
	return o
}

// FirstNumber returns an [Options.First] for a daemon started at the time: Unix
// seconds in the high bits and random in the low 21, below 2^53 until the year
// 2106, so that JavaScript reads it exactly. A run may send 2 million changes for
// each second that it lasts before it reaches the number of a run started after
// it. random keeps two runs of a board without a clock of its own, which may begin
// at the same second, from meaning different changes by one number.
func FirstNumber(start time.Time, random uint32) uint64 {
	return uint64(max(start.Unix(), 0))<<21 | uint64(random>>11)
}

// Stats are counts since the hub was made; Clients is how many are connected now.
type Stats struct {
	Clients int
	// Changes is how many were published, Messages how many were sent for them.
	Changes, Messages uint64
	// Snapshots and Resumed are how many clients began with either.
	Snapshots, Resumed uint64
	// Slow is how many clients were cut off because they did not keep up.
	Slow uint64
	// Unencodable is how many changes could not be encoded.
	Unencodable uint64
}

// Hub is made by [NewHub]. Its methods may be called from any goroutine.
type Hub struct {
	opts Options

	mu      sync.Mutex
	now     message.Snapshot // what the clients have been told; never altered in place
	n       uint64           // the number of the newest change in now
	held    map[string]message.Change
	sent    map[string]bool // engines that have had a message in this window
	ring    ring
	clients map[*client]struct{}
	stopped bool
	stats   Stats

	serving sync.WaitGroup
}

// ErrUnknownEngine is returned for a change of an engine that the hub was not
// started with.
var ErrUnknownEngine = errors.New("the engine is not among those that the hub was started with")

// NewHub returns a hub whose clients begin with start, which must have a state for
// every engine. start must not be altered afterwards.
func NewHub(start message.Snapshot, opts Options) (*Hub, error) {
	if opts.Now == nil || opts.Log == nil {
		return nil, errors.New("live: Options.Now and Options.Log are required; pass a clock and a logger")
	}
	for _, e := range start.Engines {
		if !hasState(start, e.ID) {
			return nil, fmt.Errorf("live: engine %s has no state in the first snapshot; add one, empty if nothing is known", e.ID)
		}
	}
	opts = opts.withDefaults()
	return &Hub{
		opts: opts, now: start, n: opts.First,
		held: map[string]message.Change{}, sent: map[string]bool{},
		ring:    ring{maxCount: opts.RingCount, maxBytes: opts.RingBytes},
		clients: map[*client]struct{}{},
	}, nil
}

func hasState(s message.Snapshot, engine string) bool {
	for i := range s.States {
		if s.States[i].Engine == engine {
			return true
		}
	}
	return false
}

// Publish tells every client of a change, at once or within the window. It never
// waits for a client. The change must not be altered afterwards. Changes of one
// engine must be published in their order. An error means that the change could not
// be told: [ErrUnknownEngine], or a value that JSON does not have; in that case all
// clients are cut off rather than left with what is no longer so.
func (h *Hub) Publish(c message.Change) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	state, ok := h.state(c.Engine)
	if !ok {
		return fmt.Errorf("publish a change of engine %q: %w; its id must be in the configuration", c.Engine, ErrUnknownEngine)
	}
	h.stats.Changes++
	urgent := differs(state, c)
	if held, ok := h.held[c.Engine]; ok {
		c = held.Then(c)
	}
	if !urgent && h.sent[c.Engine] {
		h.held[c.Engine] = c
		return nil
	}
	return h.send(c)
}

func (h *Hub) state(engine string) (message.State, bool) {
	for i := range h.now.States {
		if h.now.States[i].Engine == engine {
			return h.now.States[i], true
		}
	}
	return message.State{}, false
}

// send numbers the change, applies it and queues it. The caller holds h.mu.
func (h *Hub) send(c message.Change) error {
	delete(h.held, c.Engine)
	h.sent[c.Engine] = true
	h.n++
	h.now = h.now.With(c)
	whole := c.Whole()
	m, err := prepare(message.Live{N: h.n, Change: &whole})
	if err != nil {
		h.stats.Unencodable++
		h.ring.clear()
		for c := range h.clients {
			h.cut(c, "a change could not be encoded")
		}
		return fmt.Errorf("encode a change of engine %s: %w; every page was cut off so that none shows what is no longer so", c.Engine, err)
	}
	h.stats.Messages++
	h.ring.add(h.n, m)
	h.broadcast(m)
	return nil
}

func (h *Hub) broadcast(m *prepared) {
	for c := range h.clients {
		select {
		case c.queue <- m:
		default:
			h.stats.Slow++
			h.cut(c, "it did not keep up")
		}
	}
}

// cut takes the client off the list and lets its own goroutine close the socket.
// The caller holds h.mu.
func (h *Hub) cut(c *client, why string) {
	if _, ok := h.clients[c]; !ok {
		return
	}
	delete(h.clients, c)
	h.opts.Log.Info("live client cut off", "remote", c.remote, "why", why)
	c.cut()
}

// flush sends what is held. The caller holds h.mu.
func (h *Hub) flush() error {
	var errs []error
	for _, c := range h.held {
		errs = append(errs, h.send(c))
	}
	return errors.Join(errs...)
}

// endWindow sends what was held in the window that ends now.
func (h *Hub) endWindow() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	clear(h.sent)
	return h.flush()
}

func (h *Hub) beat() error {
	if h.opts.Judging != nil {
		if err := h.opts.Judging(); err != nil {
			return fmt.Errorf("no beat is sent, so that no page shows a verdict as current: %w", err)
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	m, err := h.beatMessage()
	if err != nil {
		return err
	}
	h.broadcast(m)
	return nil
}

func (h *Hub) beatMessage() (*prepared, error) {
	return prepare(message.Live{N: h.n, Beat: &message.Beat{At: h.opts.Now()}})
}

// Run beats and ends windows until ctx ends; then it closes every client and
// returns when all are gone. It always returns nil.
func (h *Hub) Run(ctx context.Context) error {
	beats, stopBeats := orTicker(h.opts.Beats, DefaultBeat)
	defer stopBeats()
	windows, stopWindows := orTicker(h.opts.Windows, h.opts.Window)
	defer stopWindows()
	silent := false
	for {
		select {
		case <-ctx.Done():
			h.stop()
			return nil
		case <-windows:
			if err := h.endWindow(); err != nil {
				h.opts.Log.Error("live link", "error", err)
			}
		case <-beats:
			err := h.beat()
			if err != nil && !silent {
				h.opts.Log.Error("live link", "error", err)
			}
			silent = err != nil
		}
	}
}

func orTicker(given <-chan time.Time, every time.Duration) (<-chan time.Time, func()) {
	if given != nil {
		return given, func() {}
	}
	t := time.NewTicker(every)
	return t.C, t.Stop
}

func (h *Hub) stop() {
	h.mu.Lock()
	h.stopped = true
	for c := range h.clients {
		h.cut(c, "the daemon is ending")
	}
	h.mu.Unlock()
	h.serving.Wait()
}

// Snapshot returns how everything is now, with what is still held in it, and the
// number of its newest change.
func (h *Hub) Snapshot() (message.Snapshot, uint64) {
	h.mu.Lock()
	// Whoever asks after having been told that a word was taken must see it.
	if err := h.flush(); err != nil {
		h.opts.Log.Error("live link", "error", err)
	}
	s, n := h.now, h.n
	h.mu.Unlock()
	return aged(s, h.opts.Now()), n
}

// Engines returns what the engines are.
func (h *Hub) Engines() []message.Engine {
	s, _ := h.Snapshot()
	return s.Engines
}

// State returns how one engine is now, and false where there is none of that id.
func (h *Hub) State(engine string) (message.State, bool) {
	s, _ := h.Snapshot()
	for _, st := range s.States {
		if st.Engine == engine {
			return st, true
		}
	}
	return message.State{}, false
}

// Now returns the time by the hub's clock.
func (h *Hub) Now() time.Time { return h.opts.Now() }

// Stats returns the counts for /metrics.
func (h *Hub) Stats() Stats {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := h.stats
	s.Clients = len(h.clients)
	return s
}

// aged is the snapshot with every reading's age as it is at now. A reading once
// called stale stays so until a newer one comes.
func aged(s message.Snapshot, now time.Time) message.Snapshot {
	s = s.Whole()
	s.At = now
	for i := range s.States {
		old := s.States[i].Channels
		fresh := make(map[channel]message.Reading, len(old))
		for ch, r := range old {
			r.AgeS = now.Sub(r.At).Seconds()
			r.Stale = r.Stale || !(r.AgeS <= r.FreshS)
			fresh[ch] = r
		}
		s.States[i].Channels = fresh
	}
	return s
}

// prepared is a message encoded once for all clients.
type prepared struct {
	*websocket.PreparedMessage
	size int
}

func prepare(m message.Live) (*prepared, error) {
	b, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	p, err := websocket.NewPreparedMessage(websocket.TextMessage, b)
	if err != nil {
		return nil, err
	}
	return &prepared{p, len(b)}, nil
}
