// Package storetest states what a store must do, as tests that any way of
// opening one can be put through: [Run].
package storetest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

// Start is the time around which the suite's samples lie.
var start = time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)

const (
	engine  = "quillet"
	boiler  = telemetry.BoilerPressure
	node    = "cab"
	another = "marrow"
)

// Run puts a store through the suite. open returns a store that is empty and
// closes it when the test ends.
func Run(t *testing.T, open func(t *testing.T) *store.Store) {
	for _, c := range []struct {
		name string
		test func(*testing.T, *store.Store)
	}{
		{"a sample comes back as it was, whatever its quality", comesBack},
		{"the same sample twice is stored once", duplicate},
		{"another value at the same time keeps the first", conflict},
		{"a late sample of a sealed minute stands in its place, once", late},
		{"an engine's samples are not another's, nor the shed's", apart},
		{"an empty store answers with nothing", empty},
		{"all channels of engine and shed come merged in order of time", merged},
		{"the latest sample of each channel, and one dated ahead hides none", latest},
		{"samples can be appended while an iterator is held", heldIterator},
		{"an iterator ends when it is told to, and with its context", endsEarly},
		{"a refused append leaves nothing behind", refused},
		{"the book comes back in order, by time and kind, and in pages", book},
		{"a body that is no JSON refuses all entries of the call", bookRefuses},
		{"a state is what was last put", state},
		{"a change that fails takes its state and its entries with it", together},
		{"a summary is there once, as it was last written, the newest first", summaries},
		{"a summary that is none is refused, and its transaction with it", summaryRefused},
		{"notices come back in order, each turn once, with what caused them or not at all", notices},
		{"a letter is written with the mark of its notice, once, whoever repeats it", addressing},
		{"a letter waits until one attempt ends it", lettersMarked},
		{"a way is failing from its first failure until something is taken", wayRecords},
		{"old notices are let go when they are over and addressed, and give no number twice", forgetting},
		{"a follower takes everything in order of arrival, late ones too", follower},
		{"a new follower with history takes what was there before", history},
		{"followers do not wait for each other", followers},
		{"buckets equal a plain summing-up", buckets},
		{"at most as many buckets as asked for, none across from and to", bucketEdges},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, open(t)) })
	}
	t.Run("whatever arrives in whatever order is held once and summed up exactly", func(t *testing.T) { model(t, open) })
}

func at(d time.Duration) time.Time { return start.Add(d) }

func good(ch telemetry.Channel, d time.Duration, v float64) telemetry.Sample {
	return telemetry.Sample{Channel: ch, At: at(d), Value: v, Quality: telemetry.Good}
}

// put appends one batch received at the time of its newest sample.
func put(t testing.TB, s *store.Store, engine string, ss ...telemetry.Sample) ingest.Appended {
	t.Helper()
	received := ss[0].At
	for _, x := range ss {
		if x.At.After(received) {
			received = x.At
		}
	}
	return putAt(t, s, engine, received, ss...)
}

func putAt(t testing.TB, s *store.Store, engine string, received time.Time, ss ...telemetry.Sample) ingest.Appended {
	t.Helper()
	out, err := s.Append(context.Background(), []ingest.Batch{{Engine: engine, Node: node, Received: received, Samples: ss}})
	if err != nil {
		t.Fatalf("append %v: %v", ss, err)
	}
	if len(out) != 1 {
		t.Fatalf("append of one batch gave %d answers", len(out))
	}
	return out[0]
}

// seal makes the store leave the minutes before d behind.
func seal(t testing.TB, s *store.Store, d time.Duration) {
	t.Helper()
	putAt(t, s, "clock", at(d+3*time.Minute), good("tick", d+3*time.Minute, 1))
}

func collect[T any](t testing.TB, seq iter.Seq2[T, error]) []T {
	t.Helper()
	var out []T
	for x, err := range seq {
		if err != nil {
			t.Fatalf("read: %v", err)
		}
		out = append(out, x)
	}
	return out
}

func samples(t testing.TB, s *store.Store, engine string, ch telemetry.Channel) []telemetry.Sample {
	t.Helper()
	return collect(t, s.Samples(context.Background(), engine, ch, time.Time{}, time.Time{}))
}

// equal compares what is printed: NaN is then equal to NaN, and every bit of a number counts.
func equal[T any](t testing.TB, what string, got, want T) {
	t.Helper()
	if g, w := fmt.Sprintf("%+v", got), fmt.Sprintf("%+v", want); g != w {
		t.Fatalf("%s\n got %s\nwant %s", what, g, w)
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func comesBack(t *testing.T, s *store.Store) {
	in := []telemetry.Sample{
		good(boiler, 0, 0),
		good(boiler, time.Second, 101325.25),
		good(boiler, 2*time.Second, -0.1),
		good(boiler, 3*time.Second, math.MaxFloat64),
		good(boiler, 4*time.Second, math.SmallestNonzeroFloat64),
		good(boiler, 5*time.Second, math.Pi*1e5),
		good(boiler, 6*time.Second+time.Microsecond, 1<<53+2),
		{Channel: boiler, At: at(7 * time.Second), Value: 3, Quality: telemetry.Uncertain, Reason: "just calibrated"},
		{Channel: boiler, At: at(8 * time.Second), Value: 4, Quality: telemetry.Bad, Reason: "dated ahead"},
		telemetry.Lost(boiler, at(9*time.Second), "loop current 2.10 mA"),
		{Channel: boiler, At: time.Date(1969, 12, 31, 23, 59, 59, 999_999_000, time.UTC), Value: 1, Quality: telemetry.Bad, Reason: "clock"},
		{Channel: boiler, At: time.Date(2199, 1, 1, 0, 0, 0, 0, time.UTC), Value: 1, Quality: telemetry.Bad, Reason: "clock"},
	}
	odd := []struct{ in, want telemetry.Sample }{
		{good("odd", 0, math.NaN()), telemetry.Lost("odd", at(0), store.NoNumber)},
		{good("odd", 1*time.Second, math.Inf(1)), telemetry.Lost("odd", at(time.Second), store.NoNumber)},
		{telemetry.Sample{Channel: "odd", At: at(2 * time.Second), Value: math.Inf(-1), Reason: "x"}, telemetry.Lost("odd", at(2*time.Second), "x")},
		{good("odd", 3*time.Second, math.Copysign(0, -1)), good("odd", 3*time.Second, 0)},
		{good("odd", 4*time.Second+999, 1), good("odd", 4*time.Second, 1)},
	}
	a := putAt(t, s, engine, at(10*time.Second), in...)
	equal(t, "fresh", a.Fresh, in)
	var want []telemetry.Sample
	for _, o := range odd {
		a := putAt(t, s, engine, at(10*time.Second), o.in)
		equal(t, "fresh", a.Fresh, []telemetry.Sample{o.want})
		want = append(want, o.want)
	}
	in = slices.Concat(in[10:11], in[:10], in[11:])
	equal(t, "open minutes", samples(t, s, engine, boiler), in)
	seal(t, s, time.Minute)
	equal(t, "sealed", samples(t, s, engine, boiler), in)
	equal(t, "odd ones, sealed", samples(t, s, engine, "odd"), want)
}

func duplicate(t *testing.T, s *store.Store) {
	in := []telemetry.Sample{good(boiler, 0, 5), telemetry.Lost(boiler, at(time.Second), "open")}
	put(t, s, engine, in...)
	for _, when := range []string{"open", "sealed"} {
		a := putAt(t, s, engine, at(time.Second), in[0], in[1], in[0])
		if a.Duplicates != 3 || len(a.Fresh)+len(a.Conflicts) != 0 {
			t.Fatalf("%s: sent again, got %+v, want 3 duplicates", when, a)
		}
		equal(t, when, samples(t, s, engine, boiler), in)
		seal(t, s, time.Minute)
	}
	x := good("twice", time.Second, 1)
	a := put(t, s, engine, x, x)
	if a.Duplicates != 1 || len(a.Fresh) != 1 {
		t.Fatalf("twice in one batch of a sealed minute: %+v, want one fresh and one duplicate", a)
	}
}

func conflict(t *testing.T, s *store.Store) {
	first := good(boiler, 0, 5)
	put(t, s, engine, first)
	others := []telemetry.Sample{good(boiler, 0, 6), telemetry.Lost(boiler, at(0), "open"), {Channel: boiler, At: at(0), Value: 5, Quality: telemetry.Uncertain}}
	for _, when := range []string{"open", "sealed"} {
		a := put(t, s, engine, others...)
		equal(t, when+" conflicts", a.Conflicts, others)
		if len(a.Fresh) != 0 || a.Duplicates != 0 {
			t.Fatalf("%s: %+v, want conflicts only", when, a)
		}
		equal(t, when, samples(t, s, engine, boiler), []telemetry.Sample{first})
		seal(t, s, time.Minute)
	}
}

func late(t *testing.T, s *store.Store) {
	put(t, s, engine, good(boiler, 10*time.Second, 1), good(boiler, 30*time.Second, 3))
	seal(t, s, time.Minute)
	if a := putAt(t, s, engine, at(time.Hour), good(boiler, 20*time.Second, 2), good(boiler, 5*time.Minute, 9)); len(a.Fresh) != 2 {
		t.Fatalf("late ones: %+v, want both fresh", a)
	}
	if a := putAt(t, s, engine, at(time.Hour), good(boiler, -24*time.Hour, 0)); len(a.Fresh) != 1 {
		t.Fatalf("a day late: %+v, want fresh", a)
	}
	equal(t, "in place", samples(t, s, engine, boiler), []telemetry.Sample{
		good(boiler, -24*time.Hour, 0), good(boiler, 10*time.Second, 1), good(boiler, 20*time.Second, 2), good(boiler, 30*time.Second, 3), good(boiler, 5*time.Minute, 9)})
	bs, err := s.Buckets(context.Background(), engine, boiler, at(0), at(24*time.Hour), 4)
	must(t, err)
	if len(bs) != 1 || bs[0].Count != 4 || bs[0].Min != 1 || bs[0].Max != 9 {
		t.Fatalf("buckets %+v, want one of 4 samples from 1 to 9", bs)
	}
}

func apart(t *testing.T, s *store.Store) {
	put(t, s, engine, good(boiler, 0, 1))
	put(t, s, another, good(boiler, 0, 2))
	put(t, s, "", good(boiler, 0, 3))
	for i, e := range []string{engine, another, ""} {
		equal(t, e, samples(t, s, e, boiler), []telemetry.Sample{good(boiler, 0, float64(i+1))})
	}
	chs, err := s.Channels(context.Background(), another)
	must(t, err)
	equal(t, "channels", chs, []telemetry.Channel{boiler})
}

func empty(t *testing.T, s *store.Store) {
	ctx := context.Background()
	if got := samples(t, s, engine, boiler); len(got) != 0 {
		t.Fatalf("samples %v", got)
	}
	if got := collect(t, s.All(ctx, engine, time.Time{}, time.Time{})); len(got) != 0 {
		t.Fatalf("all %v", got)
	}
	l, err := s.Latest(ctx, engine)
	must(t, err)
	b, err := s.Buckets(ctx, engine, boiler, at(0), at(time.Hour), 10)
	must(t, err)
	n, err := s.VerifyBook(ctx, engine)
	must(t, err)
	p, err := s.BookBefore(ctx, engine, 0, 10)
	must(t, err)
	_, ok, err := s.Get(ctx, "k")
	must(t, err)
	if len(l)+len(b)+int(n)+len(p) != 0 || ok {
		t.Fatalf("latest %v buckets %v book %d %v state %v", l, b, n, p, ok)
	}
	out, err := s.Append(ctx, nil)
	if err != nil || len(out) != 0 {
		t.Fatalf("append of nothing gave %v, %v", out, err)
	}
	if _, _, err := s.Pending(ctx, "nobody", 10); !errors.Is(err, store.ErrNoFollower) {
		t.Fatalf("an unknown follower: %v", err)
	}
}

func merged(t *testing.T, s *store.Store) {
	ctx := context.Background()
	var want []store.Record
	// Over an hour, so that there are several slices, sealed and open minutes, and a gap.
	for i := range 4000 {
		d := time.Duration(i) * time.Second
		if i > 2000 {
			d += 9 * time.Hour
		}
		recv := at(d + 250*time.Millisecond)
		p, f, air := good(boiler, d, float64(i)), good(telemetry.Firebox, d, 300), good(telemetry.AmbientTemp, d, 11)
		_, err := s.Append(ctx, []ingest.Batch{
			{Engine: engine, Node: node, Received: recv, Samples: []telemetry.Sample{f, p}},
			{Node: "mast", Received: recv, Samples: []telemetry.Sample{air}},
			{Engine: another, Node: "b", Received: recv, Samples: []telemetry.Sample{p}},
		})
		must(t, err)
		want = append(want, store.Record{Node: "mast", Received: recv, Sample: air}, store.Record{Engine: engine, Node: node, Received: recv, Sample: p}, store.Record{Engine: engine, Node: node, Received: recv, Sample: f})
	}
	got := collect(t, s.All(ctx, engine, time.Time{}, time.Time{}))
	if len(got) != len(want) {
		t.Fatalf("%d records, want %d", len(got), len(want))
	}
	for i := range want {
		equal(t, fmt.Sprintf("record %d", i), got[i], want[i])
	}
	part := collect(t, s.All(ctx, engine, at(1990*time.Second), at(9*time.Hour+2010*time.Second)))
	equal(t, "part of it", part, want[3*1990:3*2010])
}

func latest(t *testing.T, s *store.Store) {
	ctx := context.Background()
	ahead := telemetry.Sample{Channel: boiler, At: at(90 * 24 * time.Hour), Value: 9, Quality: telemetry.Bad, Reason: "dated ahead"}
	put(t, s, engine, good(boiler, 0, 1), good(telemetry.Firebox, 0, 300))
	putAt(t, s, engine, at(time.Second), ahead)
	check := func(when string, want telemetry.Sample) {
		t.Helper()
		m, err := s.Latest(ctx, engine)
		must(t, err)
		equal(t, when, m, map[telemetry.Channel]telemetry.Sample{boiler: want, telemetry.Firebox: good(telemetry.Firebox, 0, 300)})
	}
	check("the newest received", ahead)
	putAt(t, s, engine, at(2*time.Second), good(boiler, 2*time.Second, 2))
	check("a sound one after it", good(boiler, 2*time.Second, 2))
	putAt(t, s, engine, at(3*time.Second), good(boiler, time.Second, 1.5))
	check("a late one does not count", good(boiler, 2*time.Second, 2))
	seal(t, s, time.Minute)
	check("sealed", good(boiler, 2*time.Second, 2))
	seal(t, s, 100*24*time.Hour)
	check("when the time ahead has come and is sealed", good(boiler, 2*time.Second, 2))
	// A node whose clock is a little fast must not send the search through all of history.
	putAt(t, s, engine, at(200*24*time.Hour-time.Second), good(boiler, 200*24*time.Hour, 3))
	seal(t, s, 201*24*time.Hour)
	check("a fast clock", good(boiler, 200*24*time.Hour, 3))
}

func heldIterator(t *testing.T, s *store.Store) {
	const n = 10_000
	for i := range n {
		if i%100 == 0 {
			var ss []telemetry.Sample
			for j := range 100 {
				ss = append(ss, good(boiler, time.Duration(i+j)*time.Second, 1))
			}
			put(t, s, engine, ss...)
		}
	}
	seen := 0
	for _, err := range s.Samples(context.Background(), engine, boiler, time.Time{}, at(n*time.Second)) {
		must(t, err)
		if seen%1000 == 0 {
			seal(t, s, time.Duration(n+seen)*time.Second)
			put(t, s, engine, good(boiler, time.Duration(n+seen)*time.Second, 2))
		}
		seen++
	}
	if seen != n {
		t.Fatalf("%d samples seen, want %d", seen, n)
	}
}

func endsEarly(t *testing.T, s *store.Store) {
	put(t, s, engine, good(boiler, 0, 1), good(boiler, time.Second, 2))
	for x, err := range s.Samples(context.Background(), engine, boiler, time.Time{}, time.Time{}) {
		must(t, err)
		equal(t, "first", x, good(boiler, 0, 1))
		break
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	n := 0
	for _, err := range s.All(ctx, engine, time.Time{}, time.Time{}) {
		if n++; !errors.Is(err, context.Canceled) || n > 1 {
			t.Fatalf("with a context that has ended: %v, item %d", err, n)
		}
	}
	if n != 1 {
		t.Fatalf("with a context that has ended: %d items, want one error", n)
	}
	if _, err := s.Append(ctx, []ingest.Batch{{Engine: engine, Samples: []telemetry.Sample{good(boiler, 2*time.Second, 3)}}}); !errors.Is(err, context.Canceled) {
		t.Fatalf("append with a context that has ended: %v", err)
	}
	if got := samples(t, s, engine, boiler); len(got) != 2 {
		t.Fatalf("then %d samples, want 2", len(got))
	}
}

func refused(t *testing.T, s *store.Store) {
	ctx := context.Background()
	put(t, s, engine, good(boiler, 0, 1))
	seal(t, s, time.Minute)
	failed := errors.New("changed my mind")
	err := s.Update(ctx, func(tx *store.Tx) error {
		b := ingest.Batch{Engine: another, Node: "new", Received: at(time.Hour), Samples: []telemetry.Sample{
			good("new.channel", time.Hour, 1), {Channel: boiler, At: at(time.Second), Reason: "a new reason"}, good(boiler, 2*time.Second, 1)}}
		if _, err := tx.Append([]ingest.Batch{b}); err != nil {
			return err
		}
		return failed
	})
	if !errors.Is(err, failed) {
		t.Fatalf("got %v, want the error of the function", err)
	}
	if got := samples(t, s, another, boiler); len(got) != 0 {
		t.Fatalf("after a refused append: %v", got)
	}
	// The ids that were given out and taken back are given out again, to others.
	want := telemetry.Sample{Channel: "other", At: at(time.Hour), Value: 2, Quality: telemetry.Uncertain, Reason: "another reason"}
	put(t, s, "third", want)
	equal(t, "after", samples(t, s, "third", "other"), []telemetry.Sample{want})
	a := put(t, s, another, good("new.channel", time.Hour, 1), good(boiler, 2*time.Second, 1))
	if len(a.Fresh) != 2 {
		t.Fatalf("the same again: %+v, want all fresh", a)
	}
}

func entry(d time.Duration, kind, body string) store.Entry {
	return store.Entry{At: at(d), Kind: kind, By: "R. Penhalow", Body: json.RawMessage(body)}
}

func book(t *testing.T, s *store.Store) {
	ctx := context.Background()
	var want []store.Entry
	for i := range 1200 {
		e := entry(time.Duration(i)*time.Second, []string{"verdict", "confirmed", "alarm"}[i%3], fmt.Sprintf(`{"i":%d}`, i))
		must(t, s.Note(ctx, engine, []store.Entry{e}))
		want = append(want, e)
	}
	must(t, s.Note(ctx, "", []store.Entry{{At: at(0), Kind: "edit"}}))
	n, err := s.VerifyBook(ctx, engine)
	if err != nil || n != 1200 {
		t.Fatalf("verify: %d, %v", n, err)
	}
	plain := func(es []store.BookEntry) (out []store.Entry) {
		for _, e := range es {
			out = append(out, e.Entry)
		}
		return out
	}
	all := collect(t, s.Book(ctx, engine, time.Time{}, time.Time{}))
	equal(t, "all", plain(all), want)
	equal(t, "by time", plain(collect(t, s.Book(ctx, engine, at(10*time.Second), at(12*time.Second)))), want[10:12])
	equal(t, "by kind", plain(collect(t, s.Book(ctx, engine, time.Time{}, at(6*time.Second), "alarm", "verdict"))), []store.Entry{want[0], want[2], want[3], want[5]})
	page, err := s.BookBefore(ctx, engine, 0, 2)
	must(t, err)
	equal(t, "newest first", plain(page), []store.Entry{want[1199], want[1198]})
	page, err = s.BookBefore(ctx, engine, page[1].Seq, 2, "verdict")
	must(t, err)
	equal(t, "next page of a kind", plain(page), []store.Entry{want[1197], want[1194]})
	shed := collect(t, s.Book(ctx, "", time.Time{}, time.Time{}))
	if len(shed) != 1 || string(shed[0].Body) != "null" || shed[0].Seq != 1 {
		t.Fatalf("the shed's own book: %+v", shed)
	}
}

func bookRefuses(t *testing.T, s *store.Store) {
	ctx := context.Background()
	for _, bad := range []store.Entry{entry(0, "verdict", `{"a":`), entry(0, "", `1`)} {
		if err := s.Note(ctx, engine, []store.Entry{entry(0, "verdict", `1`), bad}); err == nil {
			t.Fatalf("%+v was kept", bad)
		}
	}
	if n, err := s.VerifyBook(ctx, engine); n != 0 || err != nil {
		t.Fatalf("then %d entries, %v", n, err)
	}
}

func state(t *testing.T, s *store.Store) {
	ctx := context.Background()
	for _, v := range [][]byte{[]byte("1"), nil, []byte("three")} {
		must(t, s.Put(ctx, "k", v))
		got, ok, err := s.Get(ctx, "k")
		if err != nil || !ok || string(got) != string(v) {
			t.Fatalf("put %q, got %q %v %v", v, got, ok, err)
		}
	}
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		v, ok, err := tx.Get("k")
		if err != nil || !ok || string(v) != "three" {
			return fmt.Errorf("in a transaction %q %v %w", v, ok, err)
		}
		return tx.Delete("k")
	}))
	if _, ok, err := s.Get(ctx, "k"); ok || err != nil {
		t.Fatalf("deleted and still there: %v %v", ok, err)
	}
}

func together(t *testing.T, s *store.Store) {
	ctx := context.Background()
	failed := errors.New("no")
	do := func(last error) error {
		return s.Update(ctx, func(tx *store.Tx) error {
			if err := errors.Join(tx.Note(engine, []store.Entry{entry(0, "alarm", `1`)}), tx.Put("alarm/vacuum", []byte("unacknowledged"))); err != nil {
				return err
			}
			return last
		})
	}
	if err := do(failed); !errors.Is(err, failed) {
		t.Fatal(err)
	}
	n, err := s.VerifyBook(ctx, engine)
	_, ok, err2 := s.Get(ctx, "alarm/vacuum")
	if n != 0 || ok || err != nil || err2 != nil {
		t.Fatalf("after the failure: %d entries, state %v, %v %v", n, ok, err, err2)
	}
	must(t, do(nil))
	if n, err := s.VerifyBook(ctx, engine); n != 1 || err != nil {
		t.Fatalf("then %d entries, %v", n, err)
	}
}

// drain takes everything for the follower.
func drain(t testing.TB, s *store.Store, name string, limit int) []telemetry.Sample {
	t.Helper()
	var out []telemetry.Sample
	for {
		rs, next, err := s.Pending(context.Background(), name, limit)
		must(t, err)
		again, _, err := s.Pending(context.Background(), name, limit)
		must(t, err)
		equal(t, "asked again before it was taken", again, rs)
		if len(rs) == 0 {
			return out
		}
		for _, r := range rs {
			out = append(out, r.Sample)
		}
		must(t, s.Advance(context.Background(), name, next))
	}
}

func follower(t *testing.T, s *store.Store) {
	ctx := context.Background()
	put(t, s, engine, good(boiler, -time.Hour, 0))
	must(t, s.Follow(ctx, "far", false))
	must(t, s.Follow(ctx, "far", true)) // entered already: stays as it is
	var want []telemetry.Sample
	for i, d := range []time.Duration{0, time.Second, 5 * time.Minute, 2 * time.Second, 3 * time.Hour, -2 * time.Hour, 3*time.Hour + 1e6} {
		x := good(boiler, d, float64(i))
		if i == 2 {
			x = telemetry.Lost(boiler, at(d), "open")
		}
		putAt(t, s, engine, at(d+time.Hour), x, x)
		putAt(t, s, engine, at(d+time.Hour), good(boiler, d, 77))
		want = append(want, x)
	}
	equal(t, "in order of arrival, each once", drain(t, s, "far", 2), want)
	put(t, s, engine, good(boiler, 4*time.Hour, 1))
	equal(t, "then only what is new", drain(t, s, "far", 100), []telemetry.Sample{good(boiler, 4*time.Hour, 1)})
	must(t, s.Unfollow(ctx, "far"))
	if _, _, err := s.Pending(ctx, "far", 1); !errors.Is(err, store.ErrNoFollower) {
		t.Fatalf("removed and still known: %v", err)
	}
}

func history(t *testing.T, s *store.Store) {
	ctx := context.Background()
	var want []string
	add := func(d time.Duration) {
		put(t, s, engine, good(boiler, d, 1), good(telemetry.Firebox, d, 2))
		want = append(want, fmt.Sprint(boiler, at(d)), fmt.Sprint(telemetry.Firebox, at(d)))
	}
	for i := range 400 {
		add(time.Duration(i) * time.Second)
	}
	must(t, s.Follow(ctx, "far", true))
	for i := range 400 {
		add(time.Duration(400+i) * time.Second)
	}
	var got []string
	for _, x := range drain(t, s, "far", 50) {
		got = append(got, fmt.Sprint(x.Channel, x.At))
	}
	slices.Sort(got)
	slices.Sort(want)
	equal(t, "each once", strings.Join(got, "\n"), strings.Join(want, "\n"))
}

func followers(t *testing.T, s *store.Store) {
	ctx := context.Background()
	must(t, s.Follow(ctx, "quick", false))
	must(t, s.Follow(ctx, "slow", false))
	put(t, s, engine, good(boiler, 0, 1))
	if got := drain(t, s, "quick", 10); len(got) != 1 {
		t.Fatalf("quick got %v", got)
	}
	put(t, s, engine, good(boiler, time.Second, 2))
	if got := drain(t, s, "slow", 10); len(got) != 2 {
		t.Fatalf("slow got %v, want both", got)
	}
	if got := drain(t, s, "quick", 10); len(got) != 1 {
		t.Fatalf("quick then got %v", got)
	}
}

// sum is the plain summing-up of ss, in order of time, against which Buckets is held.
func sum(b telemetry.Bucket, ss []telemetry.Sample) (telemetry.Bucket, int) {
	all := 0
	want := telemetry.Bucket{From: b.From, To: b.To, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(), Worst: telemetry.Good}
	total := 0.0
	first, _ := slices.BinarySearchFunc(ss, b.From, func(x telemetry.Sample, at time.Time) int { return x.At.Compare(at) })
	for _, x := range ss[first:] {
		if !x.At.Before(b.To) {
			break
		}
		all++
		want.Worst = min(want.Worst, x.Quality)
		if x.Quality == telemetry.Bad || math.IsNaN(x.Value) {
			continue
		}
		if want.Count++; want.Count == 1 {
			want.Min, want.Max = x.Value, x.Value
		}
		want.Min, want.Max = min(want.Min, x.Value), max(want.Max, x.Value)
		total += x.Value
	}
	if want.Count > 0 {
		want.Mean = total / float64(want.Count)
	}
	return want, all
}

// holdBuckets fails unless the buckets are what is promised of ss.
func holdBuckets(t interface {
	Helper()
	Fatalf(string, ...any)
}, s *store.Store, ch telemetry.Channel, ss []telemetry.Sample, from, to time.Time, points int) {
	t.Helper()
	got, err := s.Buckets(context.Background(), engine, ch, from, to, points)
	if err != nil {
		t.Fatalf("buckets: %v", err)
	}
	if len(got) > points {
		t.Fatalf("%d buckets, at most %d were asked for", len(got), points)
	}
	inside, counted := 0, 0
	for _, x := range ss {
		if !x.At.Before(from) && x.At.Before(to) {
			inside++
		}
	}
	var width time.Duration
	for i, b := range got {
		want, all := sum(b, ss)
		counted += all
		scale := max(math.Abs(want.Min), math.Abs(want.Max), 1)
		if math.Abs(b.Mean-want.Mean) > 1e-12*scale*float64(max(1, b.Count)) {
			t.Fatalf("bucket %d mean %v, want %v", i, b.Mean, want.Mean)
		}
		b.Mean, want.Mean = 0, 0
		if fmt.Sprintf("%+v", b) != fmt.Sprintf("%+v", want) {
			t.Fatalf("[%s, %s) in %d, bucket %d\n got %+v\nwant %+v", from, to, points, i, b, want)
		}
		if all == 0 {
			t.Fatalf("bucket %d has no sample and is there: %+v", i, b)
		}
		if i > 0 && b.From.Before(got[i-1].To) {
			t.Fatalf("buckets %d and %d overlap", i-1, i)
		}
		if w := b.To.Sub(b.From); b.From.After(from) && b.To.Before(to) {
			if width != 0 && w != width {
				t.Fatalf("bucket %d is %s wide, another %s", i, w, width)
			}
			width = w
		}
	}
	if counted != inside {
		t.Fatalf("[%s, %s) in %d: the buckets cover %d samples of %d", from, to, points, counted, inside)
	}
}

func buckets(t *testing.T, s *store.Store) {
	var ss []telemetry.Sample
	v := 1e6
	for i := range 20_000 {
		v = v*0.9999 + float64(i%7)
		x := good(boiler, time.Duration(i)*1333*time.Millisecond, math.Round(v))
		switch {
		case i%501 == 0:
			x = telemetry.Lost(boiler, x.At, "open")
		case i%307 == 0:
			x.Quality, x.Reason = telemetry.Uncertain, "noise"
		case i > 9000 && i < 9500:
			x.Quality, x.Reason = telemetry.Bad, "frozen"
		}
		ss = append(ss, x)
	}
	for part := range slices.Chunk(ss, 137) {
		put(t, s, engine, part...)
	}
	for _, q := range []struct {
		from, to time.Duration
		points   int
	}{
		{0, 8 * time.Hour, 1}, {0, 8 * time.Hour, 2}, {0, 8 * time.Hour, 480}, {0, 8 * time.Hour, 500}, {0, 8 * time.Hour, 100_000},
		{-time.Hour, 30 * 24 * time.Hour, 7}, {-365 * 24 * time.Hour, 365 * 24 * time.Hour, 1000}, {13 * time.Second, 7*time.Hour + 59*time.Second, 3},
		{time.Hour + 1, time.Hour + 2*time.Second, 10}, {90 * time.Minute, 90*time.Minute + 30*time.Second, 1}, {7*time.Hour + 20*time.Minute, 9 * time.Hour, 50},
		{59*time.Minute + 59*time.Second, 6*time.Hour + 1, 2}, {30 * time.Minute, 6*time.Hour + 30*time.Minute, 3},
	} {
		holdBuckets(t, s, boiler, ss, at(q.from), at(q.to), q.points)
	}
}

func bucketEdges(t *testing.T, s *store.Store) {
	ctx := context.Background()
	put(t, s, engine, good(boiler, 0, 1), good(boiler, time.Second, 2), good(boiler, 2*time.Second, 3))
	bs, err := s.Buckets(ctx, engine, boiler, at(0), at(2*time.Second), 1)
	must(t, err)
	equal(t, "from is in, to is not", bs, []telemetry.Bucket{{From: at(0), To: at(2 * time.Second), Min: 1, Mean: 1.5, Max: 2, Count: 2, Worst: telemetry.Good}})
	put(t, s, engine, telemetry.Lost(boiler, at(time.Hour), "open"))
	bs, err = s.Buckets(ctx, engine, boiler, at(time.Hour), at(2*time.Hour), 60)
	must(t, err)
	equal(t, "bad ones only", bs, []telemetry.Bucket{{From: at(time.Hour), To: at(61 * time.Minute), Min: math.NaN(), Mean: math.NaN(), Max: math.NaN()}})
	for _, q := range []struct{ from, to time.Duration }{{0, 0}, {time.Hour, 0}} {
		if bs, err := s.Buckets(ctx, engine, boiler, at(q.from), at(q.to), 5); err != nil || len(bs) != 0 {
			t.Fatalf("[%s, %s): %v, %v; want none", q.from, q.to, bs, err)
		}
	}
	for _, n := range []int{0, -1} {
		if _, err := s.Buckets(ctx, engine, boiler, at(0), at(time.Hour), n); err == nil {
			t.Fatalf("%d buckets were given", n)
		}
	}
}

// model holds the store against a map, whatever comes in whatever order.
func model(t *testing.T, open func(t *testing.T) *store.Store) {
	channels := []telemetry.Channel{boiler, telemetry.Firebox, telemetry.ShellTop}
	rapid.Check(t, func(r *rapid.T) {
		s := open(t)
		ctx := context.Background()
		if err := s.Follow(ctx, "far", rapid.Bool().Draw(r, "history")); err != nil {
			r.Fatal(err)
		}
		held := map[telemetry.Channel]map[int64]telemetry.Sample{}
		for _, ch := range channels {
			held[ch] = map[int64]telemetry.Sample{}
		}
		var arrived []telemetry.Sample
		clock := start
		for range rapid.IntRange(1, 25).Draw(r, "batches") {
			clock = clock.Add(time.Duration(rapid.IntRange(-30, 300).Draw(r, "passed")) * time.Second)
			var in, fresh, conflicts []telemetry.Sample
			duplicates := 0
			for range rapid.IntRange(0, 12).Draw(r, "samples") {
				x := telemetry.Sample{
					Channel: rapid.SampledFrom(channels).Draw(r, "channel"),
					At:      clock.Add(-time.Duration(rapid.SampledFrom([]int{-400, -1, 0, 1, 2, 30, 60, 90, 150, 3600, 7000}).Draw(r, "age")) * time.Second),
					Value:   rapid.SampledFrom([]float64{0, 1, 1.5, 0.1, 12345.678, -3, math.Pi}).Draw(r, "value"),
					Quality: rapid.SampledFrom([]telemetry.Quality{telemetry.Good, telemetry.Good, telemetry.Uncertain, telemetry.Bad}).Draw(r, "quality"),
				}
				if x.Quality == telemetry.Bad && rapid.Bool().Draw(r, "none") {
					x = telemetry.Lost(x.Channel, x.At, "open")
				}
				in = append(in, x)
				was, ok := held[x.Channel][x.At.UnixMicro()]
				same := was.Quality == x.Quality && (was.Value == x.Value || math.IsNaN(was.Value) && math.IsNaN(x.Value))
				switch {
				case !ok:
					held[x.Channel][x.At.UnixMicro()] = x
					fresh = append(fresh, x)
				case same:
					duplicates++
				default:
					conflicts = append(conflicts, x)
				}
			}
			out, err := s.Append(ctx, []ingest.Batch{{Engine: engine, Node: node, Received: clock, Samples: in}})
			if err != nil {
				r.Fatal(err)
			}
			if g, w := fmt.Sprint(out[0].Fresh, out[0].Conflicts, out[0].Duplicates), fmt.Sprint(fresh, conflicts, duplicates); g != w {
				r.Fatalf("append %v\n got %s\nwant %s", in, g, w)
			}
			arrived = append(arrived, fresh...)
		}
		for _, ch := range channels {
			var want []telemetry.Sample
			for _, x := range held[ch] {
				want = append(want, x)
			}
			slices.SortFunc(want, func(a, b telemetry.Sample) int { return a.At.Compare(b.At) })
			var got []telemetry.Sample
			for x, err := range s.Samples(ctx, engine, ch, time.Time{}, time.Time{}) {
				if err != nil {
					r.Fatal(err)
				}
				got = append(got, x)
			}
			if fmt.Sprint(got) != fmt.Sprint(want) {
				r.Fatalf("%s\n got %v\nwant %v", ch, got, want)
			}
			from := start.Add(time.Duration(rapid.IntRange(-8000, 8000).Draw(r, "from")) * time.Second)
			to := from.Add(time.Duration(rapid.IntRange(1, 40_000_000).Draw(r, "span")) * time.Millisecond)
			holdBuckets(r, s, ch, want, from, to, rapid.SampledFrom([]int{1, 2, 3, 10, 500}).Draw(r, "points"))
		}
		if got := drain(t, s, "far", 7); fmt.Sprint(got) != fmt.Sprint(arrived) {
			r.Fatalf("the follower took %v, want %v", got, arrived)
		}
	})
}
