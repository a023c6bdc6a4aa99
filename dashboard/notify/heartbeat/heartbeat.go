// Package heartbeat tells a watcher outside of the shed, in intervals, that the engines are
// being judged. A board that is dead, without network, or hangs, tells nothing; the watcher
// is somebody else's, and rings when nothing came for two or three intervals.
//
// What is posted is a CloudEvent like those of package webhook, of the type
// "ashlamp.heartbeat": data.t is when it was so, data.every_s the interval, data.until when
// to ring if no other came. It is signed where the shed has a secret for it. A watcher that
// only wants to be called may look at nothing of it.
package heartbeat

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/webhook"
)

// missed is after how many intervals without a heartbeat a watcher should ring: one may
// be lost, and another late. Common practice, no source.
const missed = 3

// Clock tells the time and wakes who waits for it.
type Clock interface {
	Now() time.Time
	After(until time.Time) (reached <-chan struct{}, stop func())
}

// Config is what a heartbeat is made of. All but Secret and HTTP are required.
type Config struct {
	URL string
	// Secret signs, as [webhook.ParseSecret] returns it; empty for a heartbeat without a
	// signature.
	Secret []byte
	// Every is the time between two, above zero.
	Every time.Duration
	// Shed is the shed's id.
	Shed string
	HTTP *http.Client
	// Judging returns nil while every loop that judges is turning, or which is not.
	Judging func() error
	Clock   Clock
	Log     *slog.Logger
}

// Data is what a heartbeat carries.
type Data struct {
	Shed   string    `json:"shed"`
	At     time.Time `json:"t"`
	EveryS float64   `json:"every_s"`
	// Until is when to ring if no other came.
	Until time.Time `json:"until"`
}

// Standing is how the heartbeat has been doing.
type Standing struct {
	// Taken is when the watcher last took one; zero where it never has. Failed is since
	// when none was, zero while they are.
	Taken, Failed time.Time
	// Trouble is why, empty where nothing is wrong.
	Trouble string
}

// Heartbeat posts heartbeats.
type Heartbeat struct {
	c  Config
	by *webhook.Webhook

	mu sync.Mutex
	s  Standing
}

// New returns a heartbeat by the configuration, or what is wrong with it.
func New(c Config) (*Heartbeat, error) {
	if c.Every <= 0 || c.Judging == nil || c.Clock == nil || c.Log == nil {
		return nil, errors.New("heartbeat: a part of it is missing; give it an interval above zero, who knows of the judging, clock and log")
	}
	by, err := webhook.NewUnsigned(webhook.Config{URL: c.URL, Secret: c.Secret, Who: "the watcher", Shed: c.Shed, HTTP: c.HTTP, Now: c.Clock.Now})
	if err != nil {
		return nil, fmt.Errorf("heartbeat: %w", err)
	}
	return &Heartbeat{c: c, by: by}, nil
}

// Standing returns how it has been doing.
func (h *Heartbeat) Standing() Standing {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.s
}

// Run posts the first at once and then in intervals until the context ends; it returns
// nil. Nothing is made up for: a heartbeat that was not taken is not sent again, the next
// one says more.
func (h *Heartbeat) Run(ctx context.Context) error {
	for {
		now := h.c.Clock.Now()
		h.beat(ctx, now)
		if ctx.Err() != nil {
			return nil
		}
		next, stop := h.c.Clock.After(now.Add(h.c.Every))
		select {
		case <-next:
		case <-ctx.Done():
		}
		stop()
		if ctx.Err() != nil {
			return nil
		}
	}
}

// beat posts one, unless the judging does not turn: that it is dead is what the silence
// is to tell.
func (h *Heartbeat) beat(ctx context.Context, now time.Time) {
	err := h.c.Judging()
	if err != nil {
		err = fmt.Errorf("not sent, since it would not be true: %w", err)
	} else {
		// An attempt is over before the next is due, so that they never pile up.
		ctx, cancel := context.WithTimeout(ctx, min(h.c.Every, notify.SendTimeout))
		defer cancel()
		err = h.by.Post(ctx, webhook.Event{
			ID:   fmt.Sprintf("heartbeat.%s.%d", h.c.Shed, now.UnixMilli()),
			Type: webhook.TypeHeartbeat, Time: now.UTC(),
			Data: Data{Shed: h.c.Shed, At: now.UTC(), EveryS: h.c.Every.Seconds(), Until: now.Add(missed * h.c.Every).UTC()},
		})
	}
	if ctx.Err() != nil {
		return // the daemon goes: no news of the watcher
	}
	h.keep(now, err)
}

// keep writes down how it went, and tells the log of every turn once.
func (h *Heartbeat) keep(now time.Time, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if err == nil {
		if !h.s.Failed.IsZero() {
			h.c.Log.Info("the watcher outside takes heartbeats again", "since", h.s.Failed)
		}
		h.s = Standing{Taken: now}
		return
	}
	if h.s.Failed.IsZero() || h.s.Trouble != err.Error() {
		h.c.Log.Warn("the watcher outside was not told that the engines are judged; it will ring", "error", err)
	}
	if h.s.Failed.IsZero() {
		h.s.Failed = now
	}
	h.s.Trouble = err.Error()
}
