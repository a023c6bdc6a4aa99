package door_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/ingest/mapping"
	"ashlamp/rules/telemetry"
)

var now = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

// sink keeps what it is offered; it fails from the fail'th offer on, if that is not 0.
type sink struct {
	batches []ingest.Batch
	fail    int
}

func (s *sink) Offer(_ context.Context, b ingest.Batch) error {
	if s.fail > 0 && len(s.batches)+1 >= s.fail {
		return ingest.ErrClosed
	}
	s.batches = append(s.batches, b)
	return nil
}

func newDoor(t testing.TB, s *sink, here func(door.Here)) (*door.Door, *ingest.Gate) {
	t.Helper()
	g, err := ingest.NewGate(ingest.GateConfig{Engines: []string{"quillet", "marrow"}, Counters: &ingest.Counters{}, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	m, err := mapping.New([]mapping.Rule{
		{Filter: "yard", Pointer: "/a", Engine: "quillet", Node: "yard-box", Channel: telemetry.Firebox, Scale: 1},
		{Filter: "yard", Pointer: "/b", Engine: "marrow", Channel: telemetry.Firebox, Scale: 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	d, err := door.New(door.Config{Shed: "fernhollow", Gate: g, Sink: s, Mapping: m, Here: here, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	return d, g
}

func TestDoneIsCalledOnce(t *testing.T) {
	full := errors.New("full")
	for _, c := range []struct {
		name    string
		message door.Message
		commits []error // how each batch that is offered ends
		want    string  // what done hears
		taken   bool
	}{
		{"stored", door.Message{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[{"n":"firebox","v":1}]`)}, []error{nil}, "[<nil>]", true},
		{"not stored", door.Message{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[{"n":"firebox","v":1}]`)}, []error{full}, "[full]", true},
		{"refused", door.Message{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[`)}, nil, "[<nil>]", false},
		{"all records refused", door.Message{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[{"n":"ambient.co","v":0}]`)}, nil, "[<nil>]", false},
		{"an empty pack", door.Message{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[]`)}, nil, "[<nil>]", false},
		{"another shed", door.Message{Topic: "sheds/elsewhere/samples", Payload: []byte(`[]`)}, nil, "[<nil>]", false},
		{"the daemon's own", door.Message{Topic: "sheds/fernhollow/engines/quillet/steps/plugs-out"}, nil, "[<nil>]", false},
		{"no topic of ours", door.Message{Topic: "x"}, nil, "[<nil>]", false},
		{"a status", door.Message{Topic: "sheds/fernhollow/nodes/box-1/here", Payload: []byte(`{"up":true}`)}, nil, "[<nil>]", true},
		{"mapped to two engines", door.Message{Topic: "yard", Payload: []byte(`{"a":1,"b":2}`)}, []error{nil, nil}, "[<nil>]", true},
		{"one of two engines not stored", door.Message{Topic: "yard", Payload: []byte(`{"a":1,"b":2}`)}, []error{full, nil}, "[full]", true},
		{"the other of two not stored", door.Message{Topic: "yard", Payload: []byte(`{"a":1,"b":2}`)}, []error{nil, full}, "[full]", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &sink{}
			d, _ := newDoor(t, s, nil)
			heard := []error{}
			taken, err := d.Take(context.Background(), c.message, func(err error) { heard = append(heard, err) })
			if err != nil || taken != c.taken {
				t.Errorf("got taken %v, %v; want %v", taken, err, c.taken)
			}
			if len(s.batches) != len(c.commits) {
				t.Fatalf("offered %d batches, want %d", len(s.batches), len(c.commits))
			}
			if len(c.commits) > 0 && len(heard) > 0 {
				t.Errorf("done was called before the commit")
			}
			for i, b := range s.batches {
				b.Done(c.commits[i])
			}
			if got := fmt.Sprint(heard); got != c.want {
				t.Errorf("done heard %s, want %s", got, c.want)
			}
		})
	}
}

func TestAClosedSinkIsNoAcknowledgement(t *testing.T) {
	for fail := 1; fail <= 2; fail++ {
		s := &sink{fail: fail}
		d, _ := newDoor(t, s, nil)
		_, err := d.Take(context.Background(), door.Message{Topic: "yard", Payload: []byte(`{"a":1,"b":2}`)}, func(error) { t.Error("done was called") })
		if !errors.Is(err, ingest.ErrClosed) {
			t.Errorf("got %v, want ErrClosed", err)
		}
		for _, b := range s.batches {
			b.Done(nil) // of one part of two: still no acknowledgement
		}
	}
}

func TestBatchesNameTheirNode(t *testing.T) {
	s := &sink{}
	d, _ := newDoor(t, s, nil)
	for _, m := range []door.Message{
		{Topic: "sheds/fernhollow/engines/quillet/samples", Payload: []byte(`[{"n":"firebox","v":1}]`), Node: "box-1"},
		{Topic: "yard", Payload: []byte(`{"a":1,"b":2}`), Node: "bridge"},
	} {
		if _, err := d.Take(context.Background(), m, nil); err != nil {
			t.Fatal(err)
		}
	}
	var got []string
	for _, b := range s.batches {
		got = append(got, b.Engine+" "+b.Node)
		if !b.Received.Equal(now) {
			t.Errorf("received %v, want %v", b.Received, now)
		}
	}
	if g := strings.Join(got, ", "); g != "quillet box-1, quillet yard-box, marrow bridge" {
		t.Errorf("got %s", g)
	}
}

func TestStatus(t *testing.T) {
	at := time.Date(2031, 5, 4, 17, 1, 59, 500000000, time.UTC)
	for _, c := range []struct {
		name, in string
		want     *door.Here
	}{
		{"up, Unix seconds", `{"up":true,"t":1935680519.5}`, &door.Here{Node: "box-1", Up: true, At: at, Received: now}},
		{"up, RFC 3339", `{"up":true,"t":"2031-05-04T18:01:59.5+01:00"}`, &door.Here{Node: "box-1", Up: true, At: at, Received: now}},
		{"a last will", `{"up":false}`, &door.Here{Node: "box-1", Received: now}},
		{"more than is known", `{"up":true,"t":null,"battery":3.1}`, &door.Here{Node: "box-1", Up: true, Received: now}},
		{"not JSON", `up`, nil},
		{"up missing", `{"t":5}`, nil},
		{"up no truth value", `{"up":1}`, nil},
		{"time of words", `{"up":true,"t":"noon"}`, nil},
		{"time negative", `{"up":true,"t":-1}`, nil},
		{"time beyond all", `{"up":true,"t":1e300}`, nil},
		{"too large", `{"up":true,"x":"` + strings.Repeat("x", 5000) + `"}`, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got *door.Here
			d, g := newDoor(t, &sink{}, func(h door.Here) { got = &h })
			taken, err := d.Take(context.Background(), door.Message{Topic: "sheds/fernhollow/nodes/box-1/here", Payload: []byte(c.in)}, nil)
			if err != nil || taken != (c.want != nil) {
				t.Errorf("in %.60s\ngot taken %v, %v", c.in, taken, err)
			}
			if (got == nil) != (c.want == nil) || got != nil && *got != *c.want {
				t.Errorf("in %.60s\ngot  %+v\nwant %+v", c.in, got, c.want)
			}
			if n := g.Counters().Trouble(ingest.BadStatus); n > 0 != (c.want == nil) {
				t.Errorf("in %.60s\ncounted %d", c.in, n)
			}
		})
	}
	t.Run("cleared", func(t *testing.T) {
		d, g := newDoor(t, &sink{}, func(h door.Here) { t.Errorf("got %+v, want nothing said", h) })
		if taken, _ := d.Take(context.Background(), door.Message{Topic: "sheds/fernhollow/nodes/box-1/here"}, nil); !taken || len(g.Counters().Troubles()) > 0 {
			t.Error("clearing a kept status is no mistake")
		}
	})
	t.Run("the daemon's own reads as one", func(t *testing.T) {
		for _, up := range []bool{true, false} {
			var got door.Here
			d, _ := newDoor(t, &sink{}, func(h door.Here) { got = h })
			if taken, _ := d.Take(context.Background(), door.Message{Topic: "sheds/fernhollow/nodes/box-1/here", Payload: door.Status(up, now)}, nil); !taken || got.Up != up || !got.At.Equal(now) {
				t.Errorf("%s read as %+v", door.Status(up, now), got)
			}
		}
	})
}

func FuzzTake(f *testing.F) {
	f.Add("sheds/fernhollow/engines/quillet/samples", []byte(`[{"n":"firebox","v":1,"t":-5}]`), false, true)
	f.Add("sheds/fernhollow/samples/cbor", []byte{0x81, 0xa2, 0x00, 0x61, 'a', 0x02, 0x01}, true, false)
	f.Add("sheds/fernhollow/nodes/box-1/here", []byte(`{"up":true,"t":5}`), true, false)
	f.Add("yard", []byte(`{"a":1,"b":2}`), false, false)
	f.Fuzz(func(t *testing.T, topic string, payload []byte, kept, waited bool) {
		s := &sink{}
		d, _ := newDoor(t, s, nil)
		calls := 0
		if _, err := d.Take(context.Background(), door.Message{Topic: topic, Payload: payload, Kept: kept, Waited: waited}, func(error) { calls++ }); err != nil {
			t.Fatalf("topic %q payload %q: %v", topic, payload, err)
		}
		for _, b := range s.batches {
			for _, sm := range b.Samples {
				if sm.Channel.OfShed() != (b.Engine == "") || sm.Quality == telemetry.Good && (sm.Value != sm.Value || sm.At.After(now.Add(ingest.DefaultSkew))) || sm.Quality != telemetry.Good && sm.Reason == "" {
					t.Fatalf("topic %q payload %q: admitted %+v for %q", topic, payload, sm, b.Engine)
				}
			}
			b.Done(nil)
		}
		if calls != 1 {
			t.Fatalf("topic %q payload %q: done was called %d times", topic, payload, calls)
		}
	})
}
