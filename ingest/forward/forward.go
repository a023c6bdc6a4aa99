// Package forward sends the series on to any store that has the InfluxDB v2 write
// API, from the store's own position: what the far end has not accepted is sent
// again, across breaks and restarts, in order of arrival, late samples included.
//
// A sample is one point of the measurement "ashlamp": tags shed, engine (absent for
// the shed's own channels), channel and node; fields value (in the channel's unit;
// absent where a bad sample has no number) and quality (0 bad, 1 uncertain, 2 good).
// A sample may arrive twice, equal in everything; such stores keep it once.
package forward

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"ashlamp/ingest/store"
)

// Measurement is the name of every point.
const Measurement = "ashlamp"

// Limits of a forwarder. Common practice, no source.
const (
	// Batch is about how many samples go in one request.
	Batch = 5000
	// FirstPause and LongestPause bound the wait after a failure, which doubles.
	FirstPause   = time.Second
	LongestPause = 5 * time.Minute
	requestTime  = 20 // s
)

// source is what a forwarder needs of the store.
type source interface {
	Follow(ctx context.Context, name string, history bool) error
	Pending(ctx context.Context, name string, limit int) ([]store.Record, store.Position, error)
	Advance(ctx context.Context, name string, p store.Position) error
}

// Config is what a [Forwarder] needs. All but Organisation and Token are required.
type Config struct {
	URL, Organisation, Bucket, Token string
	// Shed is the shed's id, a tag of every point.
	Shed string
	// Every is the time between requests while there is little to send.
	Every time.Duration
	Store source
	// Wait blocks for a while, or until the context ends.
	Wait func(ctx context.Context, d time.Duration) error
	Log  *slog.Logger
}

// Forwarder sends on. Make it with [New].
type Forwarder struct {
	c      Config
	name   string
	client influxdb2.Client
	write  api.WriteAPIBlocking
}

// New checks the configuration; nothing is sent before Run.
func New(c Config) (*Forwarder, error) {
	if c.URL == "" || c.Bucket == "" || c.Shed == "" || c.Store == nil || c.Wait == nil || c.Log == nil || c.Every <= 0 {
		return nil, errors.New("forwarding needs url, bucket, shed, store, clock, interval and log; give all")
	}
	o := influxdb2.DefaultOptions().SetPrecision(time.Microsecond).SetUseGZip(true).SetHTTPRequestTimeout(requestTime).SetApplicationName("ashlamp")
	// What fails is sent again from the store's position; the client keeps nothing.
	o.SetMaxRetries(0).SetLogLevel(0)
	client := influxdb2.NewClientWithOptions(c.URL, c.Token, o)
	return &Forwarder{c: c, name: "forward " + c.URL + " " + c.Organisation + " " + c.Bucket, client: client, write: client.WriteAPIBlocking(c.Organisation, c.Bucket)}, nil
}

// Run sends on until the context ends. It gives up on nothing: a far end that is
// away is tried again for ever, less and less often.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.client.Close()
	pause := FirstPause
	entered := false
	for {
		var sent int
		var err error
		if !entered {
			if err = f.c.Store.Follow(ctx, f.name, true); err == nil {
				entered = true
			}
		}
		if entered {
			sent, err = f.once(ctx)
		}
		wait := f.c.Every
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			f.c.Log.Warn("the series were not sent on; they stay and are sent again", "to", f.c.URL, "again_in", pause, "error", err)
			wait, pause = pause, min(2*pause, LongestPause)
		case sent >= Batch:
			continue // a backlog goes as fast as the far end takes it
		default:
			pause = FirstPause
		}
		if f.c.Wait(ctx, wait) != nil {
			return nil
		}
	}
}

// once sends what is next in one request and moves the position on once the far
// end has accepted it.
func (f *Forwarder) once(ctx context.Context) (int, error) {
	records, next, err := f.c.Store.Pending(ctx, f.name, Batch)
	if err != nil || len(records) == 0 {
		return 0, err
	}
	points := make([]*write.Point, len(records))
	for i, r := range records {
		points[i] = f.point(r)
	}
	if err := f.write.WritePoint(ctx, points...); err != nil {
		return 0, fmt.Errorf("write %d samples: %w", len(records), err)
	}
	return len(records), f.c.Store.Advance(ctx, f.name, next)
}

func (f *Forwarder) point(r store.Record) *write.Point {
	p := write.NewPointWithMeasurement(Measurement).
		AddTag("shed", f.c.Shed).AddTag("channel", string(r.Channel)).
		AddField("quality", int64(r.Quality)).SetTime(r.At)
	if r.Engine != "" {
		p.AddTag("engine", r.Engine)
	}
	if r.Node != "" {
		p.AddTag("node", r.Node)
	}
	if !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) {
		p.AddField("value", r.Value)
	}
	return p.SortTags()
}
