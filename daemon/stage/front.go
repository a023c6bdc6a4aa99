package stage

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/config"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/node"
)

const barPa = 1e5

// facing is a daemon that runs, while its context lasts.
type facing struct {
	ctx    context.Context
	app    *app.App
	config config.Config
}

// engine returns an engine as the daemon has it; false where it has none of that id.
func (f *facing) engine(id string) (engine.Engine, bool) {
	for _, e := range f.config.Engines {
		if e.ID == id {
			return e, true
		}
	}
	return engine.Engine{}, false
}

// Face puts the stage in front of a daemon that goes in step, made from c, until ctx
// ends. It may be in front of one at a time; what the one before did not answer is asked
// of this one.
func (s *Stage) Face(ctx context.Context, a *app.App, c config.Config) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faced = &facing{ctx, a, c}
	close(s.change)
	s.change = make(chan struct{})
}

// last returns the daemon that is faced, or was last; nil before the first.
func (s *Stage) last() *facing {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.faced
}

// await returns the daemon that runs, and waits for the next one where one has ended.
func (s *Stage) await(ctx context.Context) (*facing, error) {
	for {
		s.mu.Lock()
		f, change := s.faced, s.change
		s.mu.Unlock()
		if f != nil && f.ctx.Err() == nil {
			return f, nil
		}
		select {
		case <-change:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// with does something with the daemon that runs; where that ends meanwhile, it is done
// again with the next. What do is given ends with either.
func (s *Stage) with(ctx context.Context, do func(context.Context, *facing) error) error {
	for {
		f, err := s.await(ctx)
		if err != nil {
			return err
		}
		both, cancel := context.WithCancel(ctx)
		stop := context.AfterFunc(f.ctx, cancel)
		err = do(both, f)
		stop()
		cancel()
		if err == nil || ctx.Err() != nil || f.ctx.Err() == nil {
			return err
		}
	}
}

// count takes note of the engines that the daemon knows: the evening is over when those
// that it ever knew are home.
func (s *Stage) count() {
	f := s.last()
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, pl := range s.players {
		if _, known := f.engine(pl.World.ID); known && !pl.counted {
			pl.counted = true
			s.worked++
		}
	}
}

// counts reports whether the evening's end waits for a player.
func (s *Stage) counts(pl *player) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return pl.counted
}

// over reports whether a player is to leave: its engine has been home for long enough, or
// nobody has set it up and all others have left. home is when it came home.
func (s *Stage) over(pl *player, now time.Time, home *time.Time) bool {
	if pl.Stands {
		s.count()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !pl.counted {
		return s.worked > 0 && s.left == s.worked
	}
	if !pl.world.Home() {
		return false
	}
	if home.IsZero() {
		*home = now
	}
	if now.Sub(*home) < s.o.Linger {
		return false
	}
	s.left++
	return true
}

// Names returns the engines that were put away, and those that nobody has set up.
func (s *Stage) Names() (home, standing []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, pl := range s.players {
		name := strings.ToUpper(pl.World.ID[:1]) + pl.World.ID[1:]
		if e, known := s.faced.engine(pl.World.ID); known && e.Name != "" {
			name = e.Name
		}
		if pl.counted {
			home = append(home, name)
		} else {
			standing = append(standing, name)
		}
	}
	return home, standing
}

// PlanFor is a crew's plan for an engine as its configuration has it: lay-up, how it is
// emptied, and the window for blowing down. What that does not say, or cannot be worked
// by, stays as it is in p.
func PlanFor(e engine.Engine, p crew.Plan) crew.Plan {
	p.LayUp, p.EmptiedBy = e.LayUp, string(e.EmptiedBy)
	low, high := p.BlowDownMin, p.BlowDownMax
	if v := e.Limits.At(limit.BlowDownMin); !math.IsNaN(v) {
		low = v * barPa
	}
	if v := e.Limits.At(limit.BlowDownMax); !math.IsNaN(v) {
		high = v * barPa
	}
	if high > low && low > 0 {
		p.BlowDownMin, p.BlowDownMax = low, high
	}
	return p
}

// orders are those of a crew that stands: to begin once the daemon has the engine, and
// has heard of it.
func (s *Stage) orders(pl *player) crew.Orders {
	begun := false
	return func() (crew.Plan, bool) {
		f, plan := s.last(), pl.World.Plan
		if f == nil {
			return plan, false
		}
		e, known := f.engine(pl.World.ID)
		if !begun && !(known && heard(f, e)) {
			return plan, false
		}
		begun = true
		if !known { // taken out again
			return plan, true
		}
		return PlanFor(e, plan), true
	}
}

// heard reports whether the daemon has a reading of one of the channels that an engine
// was given.
func heard(f *facing, e engine.Engine) bool {
	state, ok := f.app.State(e.ID)
	if !ok {
		return false
	}
	for c, r := range state.Channels {
		if !c.OfShed() && e.Declared(c) && r.Value != nil {
			return true
		}
	}
	return false
}

// line is an engine's node at the broker of the daemon that is faced.
type line struct {
	stage  *Stage
	player *player

	of      *facing // nil before the first
	node    *node.MQTT
	broker  string // where it is connected
	carrier node.Carrier
}

// Carry returns once the daemon has the pack.
func (l *line) Carry(ctx context.Context, p node.Pack) error {
	return l.stage.with(ctx, func(ctx context.Context, f *facing) error {
		if err := l.dial(ctx, f); err != nil {
			return err
		}
		return l.carrier.Carry(ctx, p)
	})
}

// dial connects to the broker of a daemon, unless it is.
func (l *line) dial(ctx context.Context, f *facing) error {
	if l.of == f {
		return nil
	}
	b := f.config.Broker
	url, outside := b.URL, b.URL != ""
	if !outside {
		url = "tcp://" + f.app.Broker().String()
	}
	id := l.player.World.ID
	box := id + "-box"
	if broker := f.config.Shed.ID + " " + url; !outside || broker != l.broker {
		l.hangUp()
		c := node.MQTTConfig{Broker: url, Shed: f.config.Shed.ID, Engine: id, Node: box, User: b.User, Now: l.stage.o.Clock.Now}
		if b.PasswordFile != "" {
			password, err := os.ReadFile(b.PasswordFile)
			if err != nil {
				return fmt.Errorf("read the password of the broker: %w", err)
			}
			c.Password = strings.TrimSpace(string(password))
		}
		m, err := node.DialMQTT(ctx, c)
		if err != nil {
			return err
		}
		l.node, l.broker = m, broker
	}
	// A broker drops what comes before the daemon has subscribed.
	if err := f.app.Heard(ctx, box); err != nil {
		return err
	}
	l.of, l.carrier = f, l.node
	if outside {
		l.carrier = &through{Carrier: l.node, of: f, engine: id}
	}
	return nil
}

// hangUp leaves the broker, with a word where it is still there.
func (l *line) hangUp() {
	if l.node == nil {
		return
	}
	closing, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if l.of == nil || l.of.ctx.Err() != nil {
		cancel() // nobody is there to be told
	}
	if err := l.node.Close(closing); err != nil {
		l.stage.o.Log.Debug("the node left without a word", "error", err)
	}
	l.node, l.broker = nil, ""
}

// through carries by way of an outside broker, whose acknowledgement says nothing of
// the daemon: it waits until what was carried is judged.
type through struct {
	node.Carrier
	of     *facing
	engine string
	// of the engine and of the shed.
	carried, air int
}

// Carry returns once the pack is judged, or at once where no engine of that id is.
func (t *through) Carry(ctx context.Context, p node.Pack) error {
	if err := t.Carrier.Carry(ctx, p); err != nil {
		return err
	}
	if p.Shed {
		t.air += len(p.Samples)
		return t.of.app.Judged(ctx, "", t.air)
	}
	if !slices.ContainsFunc(t.of.config.Engines, func(e engine.Engine) bool { return e.ID == t.engine }) {
		return nil
	}
	t.carried += len(p.Samples)
	return t.of.app.Judged(ctx, t.engine, t.carried)
}
