// Package forward sends the series on to any store that has the InfluxDB v2 write
// API, from the store's own position: what the far end has not accepted is sent
// again, across breaks and restarts, in order of arrival, late samples included.
//
// A sample is one point of the measurement "ashlamp": tags shed, engine (absent for
// the shed's own channels), channel and node; fields value (a float in the channel's
// unit; absent from a bad sample, whose number nobody should draw) and quality (an
// integer: 0 bad, 1 uncertain, 2 good). Times are whole microseconds; a far end that
// keeps milliseconds keeps one of two samples within the same one.
//
// After a break, or where a late sample meets the first handing over of the history,
// a sample may be sent twice, equal in everything. What the far end accepts and then
// loses, because it was killed before it wrote it down, is not sent again.
package forward

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
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
	// firstRefusals is after how many samples refused one by one, and none accepted,
	// the fault is held to be the far end's and not the samples'.
	firstRefusals = 10
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
			// A far end that says when to come again is not asked before.
			wait, pause = max(pause, min(retryAfter(err), LongestPause)), min(2*pause, LongestPause)
			f.c.Log.Warn("the series were not sent on; they stay and are sent again", "to", f.c.URL, "again_in", wait, "error", err)
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
	var t tally
	if err := f.send(ctx, records, &t); err != nil {
		return 0, fmt.Errorf("write %d samples: %w", len(records), err)
	}
	if t.refused > 0 && t.accepted == 0 && !t.tooOld {
		return 0, fmt.Errorf("write %d samples: %w; see whether organisation and bucket are right", len(records), t.why)
	}
	if t.refused > 0 {
		f.c.Log.Warn("the far end refuses samples; they are passed over there and stay in the store here",
			"to", f.c.URL, "count_at_most", t.refused, "one", t.example.Channel, "of", t.example.At, "error", t.why)
	}
	return len(records), f.c.Store.Advance(ctx, f.name, next)
}

// tally is what became of the samples of one handing over.
type tally struct {
	accepted, refused int
	tooOld            bool // the far end said so of all that is refused, or of some
	example           store.Record
	why               error
}

// send writes the records, and where the far end refuses their content, each half
// by itself, so that one it will never take does not hold the others up for ever.
func (f *Forwarder) send(ctx context.Context, records []store.Record, t *tally) error {
	points := make([]*write.Point, len(records))
	for i, r := range records {
		points[i] = f.point(r)
	}
	err := f.write.WritePoint(ctx, points...)
	switch {
	case err == nil:
		t.accepted += len(records)
		return nil
	case status(err) == http.StatusUnprocessableEntity:
		// Outside the time that it keeps: it has written the others, and will not take
		// these however they are sent.
		t.refused, t.tooOld, t.example, t.why = t.refused+len(records), true, records[0], err
		return nil
	case status(err) != http.StatusBadRequest && status(err) != http.StatusRequestEntityTooLarge:
		return err
	case len(records) > 1:
		half := len(records) / 2
		if err := f.send(ctx, records[:half], t); err != nil {
			return err
		}
		return f.send(ctx, records[half:], t)
	}
	t.refused, t.example, t.why = t.refused+1, records[0], err
	if t.accepted == 0 && t.refused >= firstRefusals {
		return err
	}
	return nil
}

// status is the far end's answer, 0 if there was none.
func status(err error) int {
	var e *influxhttp.Error
	if !errors.As(err, &e) {
		return 0
	}
	return e.StatusCode
}

// retryAfter is how long the far end asked to be left alone, 0 if it did not.
func retryAfter(err error) time.Duration {
	var e *influxhttp.Error
	if !errors.As(err, &e) {
		return 0
	}
	return time.Duration(e.RetryAfter) * time.Second
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
	if r.Quality != telemetry.Bad && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) {
		p.AddField("value", r.Value)
	}
	return p.SortTags()
}
