package app

import (
	"container/list"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/sync/errgroup"

	"ashlamp/daemon/judge"
	"ashlamp/daemon/rerun"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

const (
	// openFor is for how long a disposal is drawn that was never ended. Common practice,
	// no source.
	openFor = 72 * time.Hour
	// settledFor is how long after its end a curve may still gain samples: a node that was
	// out of reach hands over what it kept within a day or so. Common practice, no source.
	settledFor = 48 * time.Hour
	// keptCurves bounds the memory of curves that are kept, in bytes: fifty evenings of a
	// dozen channels.
	keptCurves = 32 << 20
	// curvesAtOnce is how many curves are read at a time: half of the store's readers, so
	// that the page of an evening under way never waits for those of the past.
	curvesAtOnce = 2
	// rerunsAtOnce is how many disposals are judged again at a time: a small board has to
	// judge the evening that is.
	rerunsAtOnce = 1
	// toldEvery is how often a progress is told, in real time: nobody reads faster.
	toldEvery = 200 * time.Millisecond
	// provedFor is how long, in real time, what was found of a book is not looked for
	// anew although the book has grown; waited is how long an asker waits for it.
	provedFor = 30 * time.Second
	waited    = 250 * time.Millisecond
)

// years answers what is asked of many disposals, or of the whole of a past. Make it
// with newYears, and end it with close before the store is closed.
type years struct {
	store   *store.Store
	engines map[string]engine.Engine
	now     func() time.Time
	log     *slog.Logger

	ctx    context.Context // ends with close
	cancel context.CancelFunc
	work   sync.WaitGroup
	closed sync.RWMutex // held for writing while close waits, so that nothing begins
	curves *curves
	books  books
	reruns chan struct{} // holds one for each that runs
}

func newYears(s *store.Store, engines []engine.Engine, now func() time.Time, log *slog.Logger) *years {
	y := &years{
		store: s, engines: map[string]engine.Engine{}, now: now, log: log,
		curves: newCurves(keptCurves), reruns: make(chan struct{}, rerunsAtOnce),
	}
	for _, e := range engines {
		y.engines[e.ID] = e
	}
	y.ctx, y.cancel = context.WithCancel(context.Background())
	return y
}

// close ends what works in the background, and waits until it has.
func (y *years) close() {
	y.cancel()
	y.closed.Lock()
	defer y.closed.Unlock()
	y.work.Wait()
}

// begin starts work in the background, unless the daemon ends.
func (y *years) begin(f func()) bool {
	y.closed.RLock()
	defer y.closed.RUnlock()
	if y.ctx.Err() != nil {
		return false
	}
	y.work.Go(f)
	return true
}

// evening is a disposal as far as the years ask for it.
type evening struct {
	id     string
	begun  time.Time
	ended  *time.Time
	before time.Time // when the disposal before it began; zero for none
	to     time.Time // the end, or as far as it is drawn
	passed *cooldown.Passed
}

// evenings returns the disposals of those ids in their order; all must be there.
func (y *years) evenings(ctx context.Context, engine string, ids ...string) ([]evening, error) {
	all, err := y.begunAndEnded(ctx, engine)
	if err != nil {
		return nil, err
	}
	out := make([]evening, len(ids))
	oldest := time.Time{}
	for i, id := range ids {
		n := slices.IndexFunc(all, func(e evening) bool { return e.id == id })
		if n < 0 {
			return nil, fmt.Errorf("%w: %.64q of %s", api.ErrUnknownDisposal, id, engine)
		}
		out[i] = all[n]
		if oldest.IsZero() || all[n].begun.Before(oldest) {
			oldest = all[n].begun
		}
	}
	// Summaries come the newest first; most often it is the newest that are asked for.
	for limit := 2 * len(ids); ; limit *= 8 {
		kept, err := y.store.Summaries(ctx, engine, limit)
		if err != nil {
			return nil, err
		}
		for _, k := range kept {
			i := slices.IndexFunc(out, func(e evening) bool { return e.id == judge.DisposalID(k.Begun) })
			if i < 0 || out[i].passed != nil {
				continue
			}
			var s struct {
				Passed cooldown.Passed `json:"passed"`
			}
			if err := json.Unmarshal(k.Body, &s); err != nil {
				return nil, fmt.Errorf("read the summary of disposal %s of %s: %w", k.ID, engine, err)
			}
			out[i].passed = &s.Passed
		}
		if len(kept) < limit || kept[len(kept)-1].Begun.Before(oldest) {
			return out, nil
		}
	}
}

// begunAndEnded returns all disposals in order of time, without what was drawn up of them.
func (y *years) begunAndEnded(ctx context.Context, engine string) ([]evening, error) {
	var out []evening
	for e, err := range y.store.Book(ctx, engine, time.Time{}, time.Time{}, judge.KindPassage) {
		if err != nil {
			return nil, fmt.Errorf("read the book: %w", err)
		}
		var g rules.Passage
		if err := json.Unmarshal(e.Body, &g); err != nil {
			return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
		}
		switch n := len(out); {
		case g.Event == passageBegun:
			x := evening{id: judge.DisposalID(g.At), begun: g.At}
			if n > 0 {
				x.before = out[n-1].begun
			}
			out = append(out, x)
		case g.Event == passageEnded && n > 0 && out[n-1].ended == nil:
			at := g.At
			out[n-1].ended = &at
		}
	}
	now := y.now()
	for i := range out {
		e := &out[i]
		switch {
		case e.ended != nil:
			e.to = *e.ended
		default:
			e.to = earlier(now, e.begun.Add(openFor))
		}
		if i+1 < len(out) {
			e.to = earlier(e.to, out[i+1].begun)
		}
	}
	return out, nil
}

// Overlay implements [api.Years].
func (y *years) Overlay(ctx context.Context, engine string, q api.OverlayQuery) (message.Overlay, error) {
	list, err := y.evenings(ctx, engine, q.Disposals...)
	if err != nil {
		return message.Overlay{}, err
	}
	eng := y.engines[engine]
	unit, _ := telemetry.UnitOf(q.Channel)
	out := message.Overlay{Channel: q.Channel, Unit: unit, Align: q.Align, Disposals: make([]message.OverlayDisposal, len(list))}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(curvesAtOnce)
	for i, e := range list {
		g.Go(func() error {
			c, err := y.curve(ctx, eng, e, q.Channel, q.Points)
			if err != nil {
				return err
			}
			d := message.OverlayDisposal{ID: e.id, Begun: e.begun, Ended: e.ended, Mean: c.mean}
			d.At, d.Why = mark(q.Align, e)
			zero := 0.0
			if d.At != nil {
				zero = d.At.Sub(e.begun).Seconds()
			}
			d.S = make([]float64, len(c.s))
			for n, s := range c.s {
				d.S[n] = math.Round((s-zero)*c.perSecond) / c.perSecond
			}
			out.Disposals[i] = d
			return nil
		})
	}
	return out, g.Wait()
}

// mark returns the instant that a disposal is laid by, or why there is none.
func mark(align string, e evening) (*time.Time, string) {
	if e.passed == nil {
		return nil, "Nothing was drawn up of this disposal, so that its marks are not known."
	}
	at, never, notYet := e.passed.FireOut, "The fire was not seen to be out on this evening.", "The fire is not yet seen to be out."
	switch align {
	case api.AlignBlowDown:
		at, never, notYet = e.passed.BlowDownBegun, "No blow-down was seen on this evening.", "No blow-down has been seen so far."
	case api.AlignPressureZero:
		at, never, notYet = e.passed.PressureZero, "The pressure was not seen to come to zero on this evening.", "The pressure is not yet seen to be at zero."
	}
	switch {
	case at != nil:
		return at, ""
	case e.ended == nil:
		return nil, notYet
	}
	return nil, never
}

// curve returns a channel over a disposal, kept where it can change no more.
func (y *years) curve(ctx context.Context, eng engine.Engine, e evening, ch telemetry.Channel, points int) (*curve, error) {
	key := curveKey{eng.ID, e.id, ch, points}
	settled := e.ended != nil && y.now().Sub(*e.ended) > settledFor
	if settled {
		if c := y.curves.get(key); c != nil {
			return c, nil
		}
	}
	of := eng.ID
	if ch.OfShed() {
		of = ""
	}
	buckets, err := y.store.Buckets(ctx, of, ch, e.begun, e.to, points)
	if err != nil {
		return nil, err
	}
	c := curveOf(buckets, e.begun, e.to.Sub(e.begun)/time.Duration(points), eng.Fresh(ch), resolution(eng.Channel(ch).Uncertainty))
	if settled {
		y.curves.put(key, c)
	}
	return c, nil
}

// curve is a channel over one disposal, in seconds from its beginning.
type curve struct {
	s         []float64
	perSecond float64 // what s is rounded by
	mean      []*float64
}

// resolution is how many steps to the unit are told of a channel with this expanded
// uncertainty: a power of ten, so fine that a step is at most a twentieth of it; NaN
// where nothing is known of it.
func resolution(uncertainty float64) float64 {
	if !(uncertainty > 0) {
		return math.NaN()
	}
	return math.Pow(10, -math.Floor(math.Log10(uncertainty/20)))
}

// curveOf makes a curve of buckets of a width. It breaks where samples are all bad, and
// where none came for longer than they stay fresh (s).
func curveOf(buckets []telemetry.Bucket, begun time.Time, width time.Duration, freshS, perUnit float64) *curve {
	c := &curve{perSecond: 10}
	if width >= 10*time.Second {
		c.perSecond = 1
	}
	// One list of numbers for all: a pointer to each is what JSON wants.
	numbers := make([]float64, 0, len(buckets))
	number := func(v float64) *float64 {
		numbers = append(numbers, told(v, perUnit))
		return &numbers[len(numbers)-1]
	}
	add := func(s float64, mean *float64) {
		c.s = append(c.s, math.Round(s*c.perSecond)/c.perSecond)
		c.mean = append(c.mean, mean)
	}
	var last telemetry.Bucket
	middle := func(b telemetry.Bucket) float64 { return b.From.Add(b.To.Sub(b.From) / 2).Sub(begun).Seconds() }
	for i, b := range buckets {
		if i > 0 && b.From.After(last.To) && middle(b)-middle(last) > freshS && last.Count > 0 {
			add(last.To.Sub(begun).Seconds(), nil)
		}
		if b.Count == 0 {
			add(middle(b), nil)
		} else {
			add(middle(b), number(b.Mean))
		}
		last = b
	}
	return c
}

// told rounds a value to steps of a unit.
func told(v, perUnit float64) float64 {
	switch {
	case math.IsNaN(perUnit):
		return v
	case perUnit < 1:
		step := math.Round(1 / perUnit)
		return math.Round(v/step) * step
	}
	return math.Round(v*perUnit) / perUnit
}

// size is what a curve takes in memory, in bytes: two lists of words, and the numbers
// that are pointed to.
func (c *curve) size() int { return 3 * 8 * len(c.s) }

type curveKey struct {
	engine, disposal string
	channel          telemetry.Channel
	points           int
}

// curves keeps curves up to a size, and lets those go first that were not asked for
// longest.
type curves struct {
	sync.Mutex
	of    map[curveKey]*list.Element
	order *list.List // of *keptCurve, the newest in front
	size  int
	most  int
}

type keptCurve struct {
	key   curveKey
	curve *curve
}

func newCurves(most int) *curves {
	return &curves{of: map[curveKey]*list.Element{}, order: list.New(), most: most}
}

func (c *curves) get(k curveKey) *curve {
	c.Lock()
	defer c.Unlock()
	e, ok := c.of[k]
	if !ok {
		return nil
	}
	c.order.MoveToFront(e)
	return e.Value.(*keptCurve).curve
}

func (c *curves) put(k curveKey, x *curve) {
	c.Lock()
	defer c.Unlock()
	if _, ok := c.of[k]; ok || x.size() > c.most {
		return
	}
	c.of[k] = c.order.PushFront(&keptCurve{k, x})
	c.size += x.size()
	for c.size > c.most {
		last := c.order.Back()
		old := c.order.Remove(last).(*keptCurve)
		delete(c.of, old.key)
		c.size -= old.curve.size()
	}
}

// books are what was found of each engine's book. One is gone through at a time.
type books struct {
	sync.Mutex
	of   map[string]*proof
	turn sync.Mutex
}

// proof is what is known of one book. The lock is that of books.
type proof struct {
	found    message.BookChain
	proved   time.Time     // real time; zero for never
	running  chan struct{} // closed when it is through; nil where none runs
	progress float64
}

// Chain implements [api.Years].
func (y *years) Chain(ctx context.Context, engine string) (message.BookChain, error) {
	newest, err := y.store.BookBefore(ctx, engine, 0, 1)
	if err != nil {
		return message.BookChain{}, err
	}
	y.books.Lock()
	p := y.books.of[engine]
	if p == nil {
		p = &proof{found: message.BookChain{State: "not-known", Text: "The book was not gone through since the daemon started."}}
		if y.books.of == nil {
			y.books.of = map[string]*proof{}
		}
		y.books.of[engine] = p
	}
	grown := len(newest) > 0 && newest[0].Seq != p.found.Entries
	age := time.Since(p.proved)
	if p.running == nil && (p.proved.IsZero() || age > provedFor && (grown || age > 10*provedFor)) {
		if y.begin(func() { y.prove(engine, p) }) {
			p.running, p.progress = make(chan struct{}), 0
		}
	}
	running := p.running
	y.books.Unlock()
	if running != nil {
		// Most books are through before anybody notices.
		t := time.NewTimer(waited)
		defer t.Stop()
		select {
		case <-running:
		case <-t.C:
		case <-ctx.Done():
			return message.BookChain{}, ctx.Err()
		}
	}
	y.books.Lock()
	defer y.books.Unlock()
	out := p.found
	if p.running != nil {
		done := p.progress
		out.Progress = &done
	}
	return out, nil
}

func (y *years) prove(engine string, p *proof) {
	y.books.turn.Lock()
	defer y.books.turn.Unlock()
	c, err := y.store.ProveBookWatched(y.ctx, engine, func(proved, of uint64) {
		y.books.Lock()
		defer y.books.Unlock()
		p.progress = min(1, float64(proved)/float64(max(1, of)))
	})
	found, err := chainOf(c, err, y.now())
	y.books.Lock()
	defer y.books.Unlock()
	if err == nil {
		p.found = found
	} else if y.ctx.Err() == nil {
		y.log.Error("go through a book", "engine", engine, "error", err)
		p.found.Text = "The book could not be gone through: " + err.Error() + ". Look at the daemon's log."
	}
	p.proved = time.Now()
	close(p.running)
	p.running = nil
}

// chainOf puts what was found of a book into a message.
func chainOf(c store.Chain, err error, now time.Time) (message.BookChain, error) {
	out := message.BookChain{State: "whole", ProvedAt: &now, Entries: c.Entries}
	if c.Entries > 0 {
		out.First, out.Last = &c.First, &c.Last
		out.Hash, out.Mark = hex.EncodeToString(c.Head.Hash[:]), c.Head.String()
	}
	var b *store.Broken
	switch {
	case errors.As(err, &b):
		out.State = "broken"
		out.Broken = &message.BrokenEntry{Seq: b.Seq, Kind: b.Kind, Fault: string(b.Fault), Why: b.What}
		if !b.At.IsZero() {
			at := b.At
			out.Broken.At = &at
		}
		out.Text = upper(b.Error()) + "."
	case err != nil:
		return out, err
	case c.Entries == 0:
		out.Text = "Nothing is written in the book yet."
	default:
		out.Text = fmt.Sprintf("All %d entries are as they were written, each after the one before it. "+
			"Whether the whole was written anew is told only by a mark noted elsewhere, as on a printed report: compare it.", c.Entries)
	}
	return out, nil
}

// Limits implements [api.Years].
func (y *years) Limits(id string) []message.Limit {
	e := y.engines[id]
	by := limit.Defaults(e.WorkingPressure, e.BoilerVolume)
	own := math.NaN() // the zero band that the transducer itself gives
	plain := e
	plain.Limits = by
	if k, err := evidence.NewKnown(plain); err == nil {
		own = k.ZeroBand() / 1e5
	}
	steps := comparing(e)
	var out []message.Limit
	for _, l := range limit.Table() {
		value, def := e.Limits.At(l.Key), by.At(l.Key)
		if l.Key == limit.ZeroBand {
			def = own
			if math.IsNaN(value) {
				value = own
			}
		}
		out = append(out, message.Limit{
			Key: string(l.Key), Title: l.Meaning, Unit: l.Unit, Value: known(value), Default: known(def),
			Min: l.Min, Max: l.Max, Source: l.Source, Steps: steps[l.Key],
		})
	}
	return out
}

// comparing returns the steps of an engine that each limit has a part in.
func comparing(e engine.Engine) map[limit.Key][]string {
	out := map[limit.Key][]string{}
	for _, s := range rules.Steps() {
		if s.Has != nil && !s.Has(e) {
			continue
		}
		for _, d := range slices.Concat(s.Needs, s.AtRest) {
			keys := slices.Clone(d.Limits)
			for _, ch := range d.Needs {
				keys = append(keys, engine.FreshKey(ch))
			}
			for _, k := range keys {
				if !slices.Contains(out[k], s.ID) {
					out[k] = append(out[k], s.ID)
				}
			}
		}
	}
	return out
}

func known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	// A default that follows from the engine has a tail of digits that nobody reads.
	v = math.Round(v*1e6) / 1e6
	return &v
}

// Rerun implements [api.Years].
func (y *years) Rerun(ctx context.Context, id, disposal string, limits map[string]float64, progress func(float64)) (message.Rerun, error) {
	e := rerun.Evening{Engine: y.engines[id], ID: disposal, Limits: limit.Set{}}
	for k, v := range limits {
		e.Limits[limit.Key(k)] = v
	}
	if err := together(e); err != nil {
		return message.Rerun{}, err
	}
	list, err := y.evenings(ctx, id, disposal)
	if err != nil {
		return message.Rerun{}, err
	}
	e.Begun, e.To, e.Before = list[0].begun, list[0].to, list[0].before
	kept := false
	for _, err := range y.store.All(ctx, id, e.Begun, e.To) {
		if err != nil {
			return message.Rerun{}, err
		}
		kept = true
		break
	}
	if !kept {
		return message.Rerun{}, fmt.Errorf("%w: %.64q of %s", api.ErrNothingKept, disposal, id)
	}
	select {
	case y.reruns <- struct{}{}:
	default:
		return message.Rerun{}, api.ErrBusy
	}
	defer func() { <-y.reruns }()
	// It ends when the asker goes, and when the daemon does.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(y.ctx, cancel)()

	type outcome struct {
		result message.Rerun
		err    error
	}
	done, come := make(chan outcome, 1), make(chan float64, 1)
	work := func() {
		var o outcome
		var last time.Time
		o.result, o.err = rerun.Run(ctx, y.store, e, func(p float64) {
			if now := time.Now(); now.Sub(last) >= toldEvery {
				last = now
				select {
				case come <- p:
				default: // the asker reads slowly; a newer one follows
				}
			}
		})
		done <- o
	}
	if !y.begin(func() { rerun.Lowered(work) }) {
		return message.Rerun{}, context.Cause(y.ctx)
	}
	progress(0)
	for {
		select {
		case p := <-come:
			progress(p)
		case o := <-done:
			if o.err == nil {
				progress(1)
			}
			return o.result, o.err
		}
	}
}

// together refuses limits that do not go together, as one that is to be below another.
func together(e rerun.Evening) error {
	was := e.Engine.Check()
	for _, f := range e.Moved().Check() {
		if slices.Contains(was, f) {
			continue // as the engine is configured, which is no fault of the asker
		}
		return &api.Refusal{
			Kind: problem.BadRequest, Detail: upper(f.Text) + ".",
			Mend: "See GET /engines/" + e.Engine.ID + "/limits for those in force, and move what belongs together in one call.",
		}
	}
	return nil
}

// upper begins a sentence.
func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
