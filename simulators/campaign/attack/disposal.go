package attack

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/node"
	"ashlamp/simulators/world"
)

// Judge is what is attacked: [rules.Judge], or one that is wrong on purpose.
type Judge interface {
	Samples(received time.Time, samples []telemetry.Sample) []rules.Change
	Hear(ev telemetry.Event) ([]rules.Change, error)
	Advance(now time.Time) []rules.Change
	Next() (time.Time, bool)
	Changes() []rules.Change
}

// Rules makes the judge of the rules themselves.
func Rules(e engine.Engine) (Judge, error) { return rules.New(e) }

// Wrong is a step that stood proven and was not so.
type Wrong struct {
	Step string
	// Because is what the rules said for it.
	Because string
	// At is when it was first caught, s since the start; Proven when it became so.
	At, Proven float64
	Truth      world.Truth
}

// Raised is one alarm raised.
type Raised struct {
	Watch string
	// At is in s since the start; Before that no fault had begun.
	At     float64
	Before bool
	Text   string
}

// Timing is how one step fared from being ready.
type Timing struct {
	// Ready reports whether it was ever ready for long enough to be told of.
	Ready bool
	// Delay is in s from being ready until proven; NaN where it never was.
	Delay float64
	// Late: not proven within hold and [LateS]. Never: not within hold and [NeverS],
	// nor later.
	Late, Never bool
	// Losses is how often it was lost while ready, its deed not done.
	Losses int
}

// Result is one disposal played.
type Result struct {
	K      int
	Kind   string
	Faults []string
	// EmptiedBy and LayUp are the engine's.
	EmptiedBy string
	LayUp     telemetry.LayUp
	Wrong     []Wrong
	Steps     [steps]Timing
	Alarms    []Raised
	// Struck is when the first fault began, s; NaN where none did.
	Struck float64
	// Housed and Elapsed: whether it was, and the time played, s.
	Housed  bool
	Elapsed float64
	// Packs were judged, and Told is how often the judge was told the time between.
	Packs, Told int
	// Restarts is how often the daemon was killed and rebuilt from what was kept.
	Restarts int
}

// Times of a disposal, s.
const (
	// lingerS is how long it is watched after the engine is housed.
	lingerS = 1200
	// wearyS is how long a crew that could house its engine by all it knows stands
	// before it, and stuckS how long one with a fault aboard, before nothing more is
	// learnt.
	wearyS = holdMost + NeverS + 60
	// An engine that keeps its water cools all night, and its crew stands before it as
	// long.
	stuckS, stuckRestS = 3 * 3600, 10 * 3600
	// settledS is how long an engine that could be housed is watched on.
	settledS = 1200
	// longestS bounds an evening, of an engine that is emptied hot; longestColdS of one
	// that cools with its water.
	longestS     = 16 * 3600
	longestColdS = 40 * 3600
	// silentS is how often a judge without samples is told the time.
	silentS = 60
	// aheadS is how far ahead of the clock a sample's time may lie, as the gate has it.
	aheadS = 5
	// coarseS is the world's longest tick while nothing happens.
	coarseS = 15
)

// Disposal is one evening being played. It is the crew's lamp, the node's carrier
// and what the crew says things to.
type Disposal struct {
	plan  Plan
	spec  engine.Engine
	make  func(engine.Engine) (Judge, error)
	judge Judge
	world *world.World
	node  *node.Node
	log   io.Writer // nil for silence
	// moving is that the crew moves the engine; moved, that it is where it was to go.
	moving, moved bool

	shown  [steps]verdict.Verdict
	proven [steps]float64 // since when, s
	caught [steps]bool
	// falseSince is when each step's truth ended, NaN while it holds; readySince
	// when it became ready, NaN while it is not.
	falseSince, readySince [steps]float64
	soSince                float64 // of housing; NaN while it is not so
	quiet                  bool    // the node reads seldom
	timing                 [steps]Timing
	said                   [words]float64
	pipeHigh               float64
	past                   past
	result                 Result

	lastHeard float64
	pack      []telemetry.Sample
	ctx       context.Context

	// for a daemon that is killed
	keep     bool
	kept     []received
	events   []telemetry.Event
	restarts int
	down     bool
	unsaid   []telemetry.Event
}

// received is a kept sample with its time of receipt.
type received struct {
	at     time.Time
	sample telemetry.Sample
}

// Play plays one disposal. With log, each change of verdict is written with the
// truth beside it. It fails only where the simulation itself does.
func Play(ctx context.Context, p Plan, props *boiler.Properties, judge func(engine.Engine) (Judge, error), log io.Writer) (Result, error) {
	d := &Disposal{plan: p, spec: Spec(p.Engine, p.Quiet), make: judge, log: log, ctx: ctx}
	d.result = Result{K: p.K, Kind: p.Kind(), Faults: p.Faults, EmptiedBy: p.Engine.Plan.EmptiedBy, LayUp: p.Engine.Plan.LayUp, Struck: math.NaN()}
	for s := range steps {
		d.falseSince[s], d.readySince[s], d.proven[s] = 0, math.NaN(), math.NaN()
		d.timing[s].Delay = math.NaN()
	}
	d.soSince = math.NaN()
	for w := range d.said {
		d.said[w] = math.NaN()
	}
	wrap := func(err error) (Result, error) {
		return Result{}, fmt.Errorf("disposal %d of seed %d (%s): %w", p.K, p.Seed, p.Kind(), err)
	}
	var err error
	if d.judge, err = judge(d.spec); err != nil {
		return wrap(err)
	}
	if d.world, err = world.New(p.Engine, props, p.WorldSeed, d, d); err != nil {
		return wrap(err)
	}
	d.world.Coarse(coarseS)
	for _, f := range p.Faults {
		if err := d.world.Inject(f); err != nil {
			return wrap(err)
		}
		d.keep = d.keep || f == "daemon-restarted"
	}
	d.node = node.New(d.world, d, p.Intervals, p.WorldSeed)
	d.node.Pace = d.pace
	for !d.over() {
		if err := d.node.Step(ctx); err != nil {
			return wrap(err)
		}
		if err := d.after(); err != nil {
			return wrap(err)
		}
	}
	d.close()
	if d.log != nil && d.judge != nil {
		for _, c := range d.judge.Changes() {
			if i, ok := stepOf(c.Step.Step); ok && d.result.Steps[i].Never {
				d.print("at the end %s is %s%s", c.Step.Step, c.Step.Verdict, reasons(c.Step))
			}
		}
	}
	return d.result, nil
}

// over reports whether nothing more is to be learnt.
func (d *Disposal) over() bool {
	t := d.world.Elapsed()
	longest := float64(longestS)
	if d.plan.Engine.Plan.EmptiedBy == "cold" {
		longest = longestColdS
	}
	if t > longest {
		return true
	}
	if d.world.Home() {
		if !d.result.Housed {
			d.result.Housed, d.result.Elapsed = true, t
		}
		return t > d.result.Elapsed+lingerS
	}
	if began, ok := d.world.Began("house"); ok {
		if r := d.readySince[house]; r >= 0 && t > r+wearyS {
			return true
		}
		if len(d.plan.Faults) == 0 {
			return false
		}
		stuck := float64(stuckS)
		if d.plan.Engine.Plan.LayUp != telemetry.Dry {
			stuck = stuckRestS
		}
		// Once all that housing promises is so it cannot be promised too early any more.
		return t > began+stuck || !d.plan.Patient && d.soSince >= 0 && t > math.Max(d.soSince, began)+settledS
	}
	return false
}

// Verdict is the crew's lamp.
func (d *Disposal) Verdict(id string) string {
	if d.down {
		return verdict.CannotTell.String()
	}
	if s, ok := stepOf(id); ok {
		return d.shown[s].String()
	}
	return verdict.CannotTell.String()
}

// Say takes what the crew says.
func (d *Disposal) Say(_ context.Context, ev telemetry.Event) error {
	if d.down {
		d.unsaid = append(d.unsaid, ev)
		return nil
	}
	return d.hear(ev)
}

func (d *Disposal) hear(ev telemetry.Event) error {
	x := d.world.Truth()
	if w, ok := wordOf(ev.Subject); ok && ev.Kind == telemetry.Confirmed {
		d.said[w] = x.Elapsed
		if w == cocksDry && x.Pipe > d.pipeHigh-readyPipeK && d.plan.Engine.Plan.EmptiedBy == "empty" {
			d.said[w] = math.NaN() // too early to count: it will be said again
		}
	}
	if d.keep {
		d.events = append(d.events, ev)
	}
	d.look(&x)
	changes, err := d.judge.Hear(ev)
	if err != nil {
		return err
	}
	if d.log != nil {
		d.print("%s says %s %s", ev.By, ev.Kind, ev.Subject)
	}
	d.take(changes)
	d.check(&x)
	return nil
}

// Carry takes a pack as the gate does: what lies too far ahead is bad.
func (d *Disposal) Carry(_ context.Context, p node.Pack) error {
	if d.down {
		return nil
	}
	latest := p.Sent.Add(aheadS * time.Second)
	d.pack = append(d.pack[:0], p.Samples...)
	for i := range d.pack {
		if s := &d.pack[i]; s.At.After(latest) {
			s.Quality, s.Reason = telemetry.Bad, "clock ahead"
		}
		if d.keep {
			d.kept = append(d.kept, received{p.Sent, d.pack[i]})
		}
	}
	x := d.world.Truth()
	d.look(&x)
	d.take(d.judge.Samples(p.Sent, d.pack))
	d.check(&x)
	d.lastHeard = x.Elapsed
	d.result.Packs++
	return nil
}

// pace lets the judge speak at each moment before date at which time alone may
// change a verdict, with the world brought to that very moment.
func (d *Disposal) pace(ctx context.Context, date time.Time) error {
	for !d.down {
		next, ok := d.judge.Next()
		if !ok || !next.Before(date) {
			return nil
		}
		if ahead := next.Sub(d.world.Now()).Seconds(); ahead > 0 {
			if err := d.world.Step(ctx, ahead); err != nil {
				return err
			}
		}
		if d.down {
			return nil
		}
		d.tell()
		if again, ok := d.judge.Next(); ok && !again.After(next) {
			return nil
		}
	}
	return nil
}

// tell tells the judge the time.
func (d *Disposal) tell() {
	d.result.Told++
	x := d.world.Truth()
	d.look(&x)
	d.take(d.judge.Advance(d.world.Now()))
	d.check(&x)
	d.lastHeard = x.Elapsed
}

// after does what is due after a step of the world: time in silence, a daemon
// killed, a daemon up again.
func (d *Disposal) after() error {
	link := d.world.Link()
	t := d.world.Elapsed()
	if stage := d.world.Stage(); stage == "cool" || stage == "tanks" || stage == "smokebox" || stage == "house" {
		if !d.quiet {
			d.node.Read(d.plan.Quiet)
		}
		d.quiet = true
	} else if d.quiet && stage != "home" {
		d.quiet = false
		d.node.Read(d.plan.Intervals)
	}
	if link.Restarts > d.restarts {
		d.restarts = link.Restarts
		d.down, d.judge = true, nil
		for s := range steps {
			d.shown[s], d.proven[s] = verdict.CannotTell, math.NaN()
		}
		if d.log != nil {
			d.print("the daemon is killed")
		}
	}
	if d.down {
		x := d.world.Truth()
		d.look(&x)
		if t < link.AwayUntil {
			return nil
		}
		return d.rebuild()
	}
	if t-d.lastHeard >= silentS {
		d.tell()
	}
	return nil
}

// rebuild makes a judge anew and brings it up to date from what was kept, as the
// daemon does after a restart: samples in the order of the later of their own time
// and that of their receipt, each once, and words at their own times. Words that
// could not be taken meanwhile are said now.
func (d *Disposal) rebuild() error {
	j, err := d.make(d.spec)
	if err != nil {
		return err
	}
	when := func(r *received) time.Time {
		if r.sample.At.After(r.at) {
			return r.sample.At
		}
		return r.at
	}
	type key struct {
		c  telemetry.Channel
		at int64
	}
	once := map[key]bool{}
	kept := slices.DeleteFunc(slices.Clone(d.kept), func(r received) bool {
		k := key{r.sample.Channel, r.sample.At.UnixMicro()}
		again := once[k]
		once[k] = true
		return again
	})
	slices.SortStableFunc(kept, func(a, b received) int { return when(&a).Compare(when(&b)) })
	next := 0
	for i := 0; i < len(kept); {
		at := when(&kept[i])
		for ; next < len(d.events) && !d.events[next].At.After(at); next++ {
			if _, err := j.Hear(d.events[next]); err != nil {
				return err
			}
		}
		d.pack = d.pack[:0]
		for ; i < len(kept) && when(&kept[i]).Equal(at); i++ {
			d.pack = append(d.pack, kept[i].sample)
		}
		j.Samples(at, d.pack)
	}
	for ; next < len(d.events); next++ {
		if _, err := j.Hear(d.events[next]); err != nil {
			return err
		}
	}
	d.down, d.judge = false, j
	d.result.Restarts++
	if d.log != nil {
		d.print("the daemon is up again")
	}
	x := d.world.Truth()
	d.look(&x)
	j.Advance(d.world.Now())
	d.take(j.Changes())
	d.check(&x)
	unsaid := d.unsaid
	d.unsaid = nil
	for _, ev := range unsaid {
		ev.At = d.world.Now()
		if err := d.hear(ev); err != nil {
			return err
		}
	}
	return nil
}

// look holds the truth at this moment against the bounds.
func (d *Disposal) look(x *world.Truth) {
	d.pipeHigh = math.Max(d.pipeHigh, x.Pipe)
	d.past.note(x)
	j := d.hold(x)
	t := x.Elapsed
	if !j.so[house] {
		d.soSince = math.NaN()
	} else if !(d.soSince >= 0) {
		d.soSince = t
	}
	for s := range steps {
		if j.so[s] {
			d.falseSince[s] = math.NaN()
		} else if math.IsNaN(d.falseSince[s]) {
			d.falseSince[s] = t
		}
		r := &d.readySince[s]
		switch {
		case !j.ready[s]:
			d.leave(s, t)
			*r = math.NaN()
		case math.IsNaN(*r):
			*r = t
			if d.shown[s] == verdict.Proven {
				d.met(s, t)
			}
		}
	}
}

// met notes that a step is proven and ready.
func (d *Disposal) met(s step, t float64) {
	m := &d.timing[s]
	if math.IsNaN(m.Delay) {
		m.Ready, m.Delay = true, t-d.readySince[s]
		m.Late = m.Delay > s.holdS()+LateS
		m.Never = false
	}
}

// leave notes that a step is ready no longer, or that the evening ends.
func (d *Disposal) leave(s step, t float64) {
	m := &d.timing[s]
	r := d.readySince[s]
	if math.IsNaN(r) || !math.IsNaN(m.Delay) {
		return
	}
	if t-r > s.holdS()+LateS {
		m.Ready, m.Late = true, true
	}
	if t-r > s.holdS()+NeverS {
		m.Never = true
	}
}

func (d *Disposal) close() {
	t := d.world.Elapsed()
	for s := range steps {
		d.leave(s, t)
	}
	d.result.Steps = d.timing
	if at, ok := d.world.Struck(); ok {
		d.result.Struck = at
	}
	d.result.Elapsed = t
}

// take takes up what the judge found.
func (d *Disposal) take(changes []rules.Change) {
	for i := range changes {
		c := &changes[i]
		if a := c.Alarm; a != nil && a.Raised {
			at := a.At.Sub(d.plan.Engine.Start).Seconds()
			struck, ok := d.world.Struck()
			d.result.Alarms = append(d.result.Alarms, Raised{Watch: a.Watch, At: at, Before: !ok || at < struck, Text: a.Text})
			if d.log != nil {
				d.print("alarm %s: %s", a.Watch, a.Text)
			}
		}
		if c.Step == nil {
			continue
		}
		s, ok := stepOf(c.Step.Step)
		if !ok {
			continue
		}
		at := c.Step.At.Sub(d.plan.Engine.Start).Seconds()
		was := d.shown[s]
		d.shown[s] = c.Step.Verdict
		if d.log != nil && was != c.Step.Verdict {
			d.print("%s is %s%s", s, c.Step.Verdict, reasons(c.Step))
		}
		switch {
		case c.Step.Verdict == verdict.Proven && was != verdict.Proven:
			d.proven[s] = at
			if d.readySince[s] >= 0 {
				d.met(s, math.Max(at, d.readySince[s]))
			}
			d.judged(s, at)
		case c.Step.Verdict != verdict.Proven && was == verdict.Proven:
			d.proven[s] = math.NaN()
			if d.readySince[s] >= 0 && !d.deed(s) {
				d.timing[s].Losses++
			}
		}
	}
}

// deed reports whether the thing that a step is about is done, so that nobody minds
// any more that its lamp goes out: behind an open door the smokebox lies below the
// shell, as one does whose couple has come off; nobody drops a fire that is out, or
// moves or houses an engine that is where it was to go.
func (d *Disposal) deed(s step) bool {
	x := d.world.Truth()
	switch s {
	case dropFire:
		return x.Fire == 0
	case moveUnderSteam:
		return d.moved
	case openSmokebox:
		return x.SmokeboxOpen
	case plugsOut:
		return x.PlugsOut
	case house:
		return d.world.Home()
	}
	return false
}

// check catches every step that stands proven and is not so.
func (d *Disposal) check(x *world.Truth) {
	moves := d.world.Stage() == "move"
	d.moved = d.moved || d.moving && !moves
	d.moving = moves
	for s := range steps {
		if d.shown[s] == verdict.Proven {
			d.judged(s, x.Elapsed)
		}
	}
}

func (d *Disposal) judged(s step, at float64) {
	if f := d.falseSince[s]; !d.caught[s] && at-f > s.graceS() {
		d.caught[s] = true
		because := ""
		for _, c := range d.judge.Changes() {
			if c.Step != nil && c.Step.Step == s.String() {
				because = said(c.Step)
			}
		}
		d.result.Wrong = append(d.result.Wrong, Wrong{Step: s.String(), Because: because, At: at, Proven: d.proven[s], Truth: d.world.Truth()})
		if d.log != nil {
			d.print("WRONG: %s stands proven and has not been so for %.0f s", s, at-f)
		}
	}
}

func (d *Disposal) print(format string, args ...any) {
	x := d.world.Truth()
	fmt.Fprintf(d.log, "%s %-13s %6.3f bar, %6.1f kg, glass %.2f, top %3.0f, bottom %3.0f of %3.0f, fire %.2f, box %4.0f, smoke %3.0f, pipe %3.0f, tanks %.2f %.2f | %s\n",
		d.world.Now().Format("15:04:05"), x.Stage, x.Pressure/bar, x.Liquid, x.Glass, x.Top, x.Bottom, x.Boiling, x.Fire, x.Firebox, x.Smokebox, x.Pipe,
		x.Tanks[0], x.Tanks[1], fmt.Sprintf(format, args...))
}

func reasons(c *verdict.Change) string {
	out := ""
	for _, r := range c.Because {
		out += fmt.Sprintf("\n\t\t%s %s: %s", r.Evidence, r.Verdict, r.Text)
	}
	return out
}

// said is why a step is proven, in one line.
func said(c *verdict.Change) string {
	var out []string
	for _, r := range c.Because {
		out = append(out, r.Text)
	}
	return strings.Join(out, " ")
}
