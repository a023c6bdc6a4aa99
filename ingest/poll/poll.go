// Package poll is the door for sensors on the board's own I2C bus: it reads each
// channel at its interval and offers what it got, or why it got nothing, to the store.
//
// Each chip has a goroutine of its own, so that a chip which makes others wait, or
// whose engine's store is slow, holds up nobody but itself; the bus lets one
// transaction through at a time. Whatever a chip does wrong becomes a bad sample with
// its reason, and the chip is asked again at the next round, from the beginning.
//
// A transaction that never returns cannot be taken back. Linux ends one after its
// adapter's timeout (1 s unless set otherwise); should one hang for good, the channels
// of that bus fall silent, and silence is stale, which proves nothing.
package poll

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"ashlamp/hardware"
	"ashlamp/hardware/ads1115"
	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

// clock is the time that the poller lives in. On a real machine Now is time.Now
// with its monotonic reading left in, so that a stepped wall clock moves the samples'
// times but not the rounds. Wait returns at until or later, or earlier with the
// context's error.
type clock interface {
	Now() time.Time
	Wait(ctx context.Context, until time.Time) error
}

// MinEvery is the shortest interval: a chip's slowest conversion, 320 ms of an
// MCP9600, would be read twice below it (DS20005426C; from memory).
const MinEvery = 500 * time.Millisecond

// Channel is one channel and the chip's input that it is bound to.
type Channel struct {
	// Engine is the engine's id; empty for channels of the shed ("ambient.…"), and
	// only for those.
	Engine string
	ID     telemetry.Channel
	// Address of the chip: 0x48 to 0x4B for an ADS1115, 0x60 to 0x67 for an MCP9600.
	Address uint16
	// Every is the interval of the channel, at least [MinEvery].
	Every time.Duration
	Input Input
}

// Config says what is on one bus.
type Config struct {
	// Node names this bus in every batch, for telling a person which box to look at.
	Node     string
	Channels []Channel
	// Rate of all ADS1115: the zero value is the slowest and quietest, 8 a second.
	Rate ads1115.Rate
}

// Poller reads the channels of one bus. [New] makes it.
type Poller struct {
	node  string
	bus   i2c.Bus
	clock clock
	sink  ingest.Sink
	log   *slog.Logger
	rate  ads1115.Rate
	chips []*chip
}

var errNoTransducer = errors.New("no transducer; make one with the package transducer and set it")

// New checks the configuration whole and binds each channel to its chip. It does not
// touch the bus. All that is wrong is returned joined, each naming its channel.
func New(cfg Config, bus i2c.Bus, clock clock, sink ingest.Sink, log *slog.Logger) (*Poller, error) {
	if bus == nil || clock == nil || sink == nil || log == nil {
		return nil, errors.New("a poller needs a bus, a clock, a sink and a log; hand all four in")
	}
	if cfg.Node == "" {
		return nil, errors.New("the bus has no node name; give one, so that a person can be told which box it is")
	}
	p := &Poller{node: cfg.Node, bus: bus, clock: clock, sink: sink, log: log, rate: cfg.Rate}
	type key struct {
		engine string
		id     telemetry.Channel
	}
	var (
		errs  []error
		seen  = map[key]bool{}
		order []uint16
		at    = map[uint16][]Channel{}
	)
	for _, c := range cfg.Channels {
		k := key{c.Engine, c.ID}
		name := channelName(c)
		switch {
		case c.ID == "":
			errs = append(errs, fmt.Errorf("a channel at 0x%02X has no id; give one", c.Address))
		case c.ID.OfShed() != (c.Engine == ""):
			errs = append(errs, fmt.Errorf("%s: channels of the shed (ambient.…) have no engine, all others have one", name))
		case seen[k]:
			errs = append(errs, fmt.Errorf("%s is bound twice; give the second another id", name))
		case c.Every < MinEvery:
			errs = append(errs, fmt.Errorf("%s: interval %v is below %v; use a longer one", name, c.Every, MinEvery))
		}
		seen[k] = true
		if at[c.Address] == nil {
			order = append(order, c.Address)
		}
		at[c.Address] = append(at[c.Address], c)
	}
	for _, addr := range order {
		d, err := p.open(addr, at[addr])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		ch := &chip{Poller: p}
		for _, c := range at[addr] {
			r, err := c.Input.bind(d)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", channelName(c), err))
				continue
			}
			ch.channels = append(ch.channels, &channel{Channel: c, read: r})
		}
		p.chips = append(p.chips, ch)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return p, nil
}

func channelName(c Channel) string {
	if c.Engine == "" {
		return string(c.ID)
	}
	return c.Engine + " " + string(c.ID)
}

// wait is what the drivers wait with: on the poller's own clock.
func (p *Poller) wait(ctx context.Context, d time.Duration) error {
	return p.clock.Wait(ctx, p.clock.Now().Add(d))
}

// Run reads until ctx ends, which is no error, or the sink refuses, which is. It
// returns when all that it started has ended; without channels that is at once.
func (p *Poller) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var (
		wg    sync.WaitGroup
		once  sync.Once
		first error
	)
	for _, c := range p.chips {
		wg.Go(func() {
			err := c.run(ctx)
			if ctx.Err() == nil {
				once.Do(func() { first = err })
				cancel()
			}
		})
	}
	wg.Wait()
	return first
}

// channel is a channel at work.
type channel struct {
	Channel
	read   read
	due    time.Time
	reason string // of the last sample, for telling only changes to the log
}

// chip is one address and its channels.
type chip struct {
	*Poller
	channels []*channel
}

// run does rounds until one of ctx, clock and sink ends them, and returns which.
func (c *chip) run(ctx context.Context) error {
	start := c.clock.Now()
	for _, ch := range c.channels {
		ch.due = start
	}
	for {
		if err := c.round(ctx); err != nil {
			return err
		}
		next := c.channels[0].due
		for _, ch := range c.channels[1:] {
			if ch.due.Before(next) {
				next = ch.due
			}
		}
		if err := c.clock.Wait(ctx, next); err != nil {
			return err
		}
	}
}

// round reads the channels that are due and offers a batch for each engine among them.
func (c *chip) round(ctx context.Context) error {
	now := c.clock.Now()
	var batches []ingest.Batch
	for _, ch := range c.channels {
		if ch.due.After(now) {
			continue
		}
		s := c.sample(ctx, ch)
		if err := ctx.Err(); err != nil {
			return err // what a cancelled reading gave is not the chip's fault
		}
		batches = appendSample(batches, ch.Engine, s)
		// Rounds that were missed are left out, not made up for.
		ch.due = ch.due.Add(ch.Every * (1 + max(0, c.clock.Now().Sub(ch.due))/ch.Every))
	}
	for _, b := range batches {
		b.Node, b.Received = c.node, c.clock.Now()
		if err := c.sink.Offer(ctx, b); err != nil {
			return fmt.Errorf("offer samples of %s: %w", c.node, err)
		}
	}
	return nil
}

func appendSample(batches []ingest.Batch, engine string, s telemetry.Sample) []ingest.Batch {
	for i := range batches {
		if batches[i].Engine == engine {
			batches[i].Samples = append(batches[i].Samples, s)
			return batches
		}
	}
	return append(batches, ingest.Batch{Engine: engine, Samples: []telemetry.Sample{s}})
}

// sample reads one channel. Its time is the moment at which the reading was there.
func (c *chip) sample(ctx context.Context, ch *channel) telemetry.Sample {
	r, err := ch.read(ctx)
	at := c.clock.Now().UTC().Truncate(telemetry.Resolution)
	if err == nil && r.Quality == telemetry.Bad {
		err = &hardware.Fault{Reason: hardware.Unnamed} // a driver that gave neither
	}
	s := telemetry.Sample{Channel: ch.ID, At: at, Value: r.Value, Quality: r.Quality}
	switch {
	case err != nil && hardware.ReasonOf(err) == hardware.Unnamed:
		s = telemetry.Lost(ch.ID, at, err.Error())
	case err != nil:
		s = telemetry.Lost(ch.ID, at, hardware.ReasonOf(err).String())
	case r.Doubt != hardware.Unnamed:
		s.Reason = r.Doubt.String()
	}
	if ctx.Err() == nil {
		c.tell(ch, s, err)
	}
	return s
}

// tell logs a channel whose reason is another than before.
func (c *chip) tell(ch *channel, s telemetry.Sample, err error) {
	if s.Reason == ch.reason {
		return
	}
	ch.reason = s.Reason
	log := c.log.With("node", c.node, "engine", ch.Engine, "channel", ch.ID, "address", fmt.Sprintf("0x%02X", ch.Address))
	switch {
	case err != nil:
		log.Warn("channel lost", "reason", s.Reason, "error", err)
	case s.Reason != "":
		log.Warn("channel uncertain", "reason", s.Reason)
	default:
		log.Info("channel good again")
	}
}
