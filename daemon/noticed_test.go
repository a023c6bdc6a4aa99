package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/node"
)

// phone is what is rung for over an evening, looked at after whatever the judge heard.
type phone struct {
	t     *testing.T
	judge *rules.Judge
	s     notice.Standing
	l     notice.Ledger
	zone  *time.Location
	rings []notice.Notice
	rest  time.Time
}

func (p *phone) look() {
	p.t.Helper()
	rest := p.judge.Now().Sub(p.rest) >= 5*time.Minute
	if rest {
		p.rest = p.judge.Now()
	}
	p.judge.Standing(&p.s, rest)
	for _, n := range p.l.Follow(&p.s) {
		p.true(n)
		p.rings = append(p.rings, n)
	}
}

// true holds a notice against the judgement as a page would show it.
func (p *phone) true(n notice.Notice) {
	p.t.Helper()
	if n.Turn == notice.Over || n.Kind != notice.CoolEnough && n.Kind != notice.Ready {
		return
	}
	s := p.judge.State()
	for _, st := range s.Steps {
		if st.ID != "house" {
			continue
		}
		yet := 0
		for _, b := range st.Because {
			switch {
			case b.Verdict == verdict.Proven:
			case n.Kind == notice.CoolEnough && b.Confirm != "" && b.Verdict == verdict.NotYet:
				yet++
			default:
				p.t.Errorf("at %s %s was told, and %s is %s: %s", n.At, n.Kind, b.Evidence, b.Verdict, b.Text)
			}
		}
		if yet != len(n.Facts.Yet) {
			p.t.Errorf("at %s %d things are yet to be confirmed, told were %v", n.At, yet, n.Facts.Yet)
		}
	}
	if s.Begun.IsZero() || !s.Ended.IsZero() {
		p.t.Errorf("at %s %s was told of an engine that nobody puts away", n.At, n.Kind)
	}
}

// lines is what the phone showed.
func (p *phone) lines() string {
	var b strings.Builder
	for _, n := range p.rings {
		fmt.Fprintf(&b, "%s %s %d %s\n", n.At.In(p.zone).Format(time.TimeOnly), n.Cause, n.N, notice.Line(n, notice.Units{}, p.zone))
	}
	return b.String()
}

func (p *phone) count(k notice.Kind, t notice.Turn) (n int) {
	for _, r := range p.rings {
		if r.Kind == k && r.Turn == t {
			n++
		}
	}
	return n
}

// TestWhatTheRecordedEveningRingsFor: cool enough once, ready once, and what ends them.
func TestWhatTheRecordedEveningRingsFor(t *testing.T) {
	e := exampleEngine(t, "quillet")
	p, err := newPlayer(e, 5*time.Second, io.Discard, t.Output())
	if err != nil {
		t.Fatal(err)
	}
	if err := p.judge.Foretell(nil); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join("..", "testdata", "disposals", "quillet-evening.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	phone := &phone{t: t, judge: p.judge, zone: e.Zone}
	lines := bufio.NewReader(f)
	for {
		line, err := readLine(lines)
		if e := p.take(bytes.TrimSpace(line)); e != nil {
			t.Fatal(e)
		}
		phone.look()
		if err != nil {
			break
		}
	}
	golden := filepath.Join("..", "testdata", "disposals", "quillet-evening.rings.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(phone.lines()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got := phone.lines(); got != string(want) {
		t.Errorf("the phone showed\n%swant\n%s", got, want)
	}
	if c, r := phone.count(notice.CoolEnough, notice.Began), phone.count(notice.Ready, notice.Began); c != 1 || r != 1 {
		t.Errorf("cool enough was told %d times and ready %d times, want once each", c, r)
	}
}

// ringing is a lamp with a phone beside it.
type ringing struct {
	*lamp
	phone *phone
}

func (r *ringing) Carry(ctx context.Context, p node.Pack) error {
	err := r.lamp.Carry(ctx, p)
	r.phone.look()
	return err
}

func (r *ringing) Say(ctx context.Context, e telemetry.Event) error {
	err := r.lamp.Say(ctx, e)
	r.phone.look()
	return err
}

// TestAGoodEveningRingsForWhatItIs: simulated evenings of either engine ring for cool
// enough and for ready, once each, and for nothing else.
func TestAGoodEveningRingsForWhatItIs(t *testing.T) {
	for name, engine := range demoEngines() {
		for seed := range uint64(4) {
			l := newLamp(t, exampleEngine(t, name))
			if err := l.judge.Foretell(nil); err != nil {
				t.Fatal(err)
			}
			r := &ringing{l, &phone{t: t, judge: l.judge, zone: time.UTC}}
			e := engine()
			e.Start = recordedAt
			err := node.Record(t.Context(), io.Discard, node.Recording{
				Engine: e, Seed: seed, Lamp: r, Also: r,
				Intervals: node.Intervals{Pressure: 5 * time.Second, Temperature: 10 * time.Second, Tank: 30 * time.Second, Shed: 2 * time.Minute},
				Linger:    50 * time.Minute, Limit: 16 * time.Hour,
			})
			if err != nil {
				t.Fatal(err)
			}
			if m := r.phone.count(notice.Moved, notice.Began); m != 0 {
				t.Errorf("%s, seed %d: the forecast of a good evening was told to have moved %d times\n%s", name, seed, m, r.phone.lines())
			}
			bad := r.phone.count(notice.Alarm, notice.Began) + r.phone.count(notice.Lost, notice.Began) + r.phone.count(notice.LayUp, notice.Began)
			if c, rd := r.phone.count(notice.CoolEnough, notice.Began), r.phone.count(notice.Ready, notice.Began); c != 1 || rd != 1 || bad != 0 || len(r.phone.l.Open) != 0 {
				t.Errorf("%s, seed %d: cool enough %d times, ready %d times, alarms %d, open at the end %d; the phone showed\n%s",
					name, seed, c, rd, bad, len(r.phone.l.Open), r.phone.lines())
			}
		}
	}
}
