package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/engine"
	"ashlamp/rules/forecast"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/watch"
)

// findEveryS is how often, in seconds of data, the findings on the sensors are drawn
// up while samples come: those of the slowest-judged kind take minutes.
const findEveryS = 5

// watching is what the judgement keeps beside its steps: the health of the sensors,
// the watches and their alarms.
type watching struct {
	health *health.Monitor
	board  *watch.Board
	known  watch.Known
	alarms []alarm.Change // scratch
	looked track.Instant
	look   track.Instant // when time alone changes the findings

	pressure, level, firebox, left, right seen
	air, humidity, co                     seen
	shells                                []seen
}

// seen is a channel as the watches read it.
type seen struct {
	id telemetry.Channel
	t  *track.Track
	u  func(float64) float64
}

func newWatching(e engine.Engine) (*watching, error) {
	m, err := health.New(e)
	if err != nil {
		return nil, err
	}
	b, err := watch.NewBoard(e.ID)
	if err != nil {
		return nil, err
	}
	w := &watching{health: m, board: b, look: track.Never}
	w.known.Engine = e
	for id, s := range map[telemetry.Channel]*seen{
		telemetry.BoilerPressure: &w.pressure, telemetry.BoilerLevel: &w.level, telemetry.Firebox: &w.firebox,
		telemetry.TankLeft: &w.left, telemetry.TankRight: &w.right,
		telemetry.AmbientTemp: &w.air, telemetry.AmbientHumidity: &w.humidity, telemetry.AmbientCO: &w.co,
	} {
		*s = seen{id: id, u: e.Channel(id).U}
	}
	return w, nil
}

// read returns the newest reading of a channel.
func (j *Judge) read(s *seen) watch.Reading {
	if s.t == nil {
		s.t = j.k.Track(s.id)
	}
	return watch.Read(s.t, j.now, s.u)
}

// heardShell makes room for a shell channel that is heard for the first time.
func (w *watching) heardShell(id telemetry.Channel, e engine.Engine) {
	if !strings.HasPrefix(string(id), "boiler.shell.") {
		return
	}
	for i := range w.shells {
		if w.shells[i].id == id {
			return
		}
	}
	w.shells = append(w.shells, seen{id: id, u: e.Channel(id).U})
}

// watch judges the watches at the present moment and returns when time alone next
// changes one.
func (j *Judge) watch() track.Instant {
	w := j.w
	k := &w.known
	if since := j.now.Sub(w.looked); w.looked == 0 || since >= findEveryS || j.now >= w.look {
		w.looked = j.now
		k.Findings = w.health.Findings(j.now, k.Findings[:0])
		w.look = w.health.Next(j.now)
	}
	k.Phase, k.LayUp = j.d.Phase(), j.k.LayUp
	k.Pressure = j.readPressure()
	k.Level, k.Firebox = j.read(&w.level), j.read(&w.firebox)
	k.TankLeft, k.TankRight = j.read(&w.left), j.read(&w.right)
	k.Air, k.AirHumidity, k.CO = j.read(&w.air), j.read(&w.humidity), j.read(&w.co)
	k.Fire = watch.FireIn
	if _, relit := j.k.Fire.Relit(); relit {
		k.Fire = watch.FireRelit
	} else if j.k.Fire.Out() {
		k.Fire = watch.FireOut
	}
	k.FireboxRate = watch.Reading{}
	if k.Fire == watch.FireOut {
		k.FireboxRate = watch.Rate(w.firebox.t, j.now)
	}
	rated := !math.IsNaN(j.engine.Limits.At(limit.Cooling))
	k.Shells = k.Shells[:0]
	for i := range w.shells {
		s := watch.Shell{Reading: j.read(&w.shells[i])}
		if rated {
			s.Rate = watch.Rate(w.shells[i].t, j.now)
		}
		k.Shells = append(k.Shells, s)
	}
	_, k.PlugsRemoved = j.k.Said.Get("plugs-removed")
	_, fell := j.k.Run.Fell()
	_, gone := j.k.Run.Gone()
	_, dry := j.k.Said.Get("cocks-run-dry")
	k.Emptied = fell && gone && j.k.Run.Enough() || dry

	w.alarms = w.board.Evaluate(k, j.now, w.alarms[:0])
	j.tell(w.alarms)
	next := track.Never
	for _, at := range [...]track.Instant{w.board.Next(), w.look} {
		if at > j.now {
			next = min(next, at)
		}
	}
	return next
}

// readPressure reads the boiler's pressure as gauge pressure.
func (j *Judge) readPressure() watch.Reading {
	r := j.read(&j.w.pressure)
	if r.Known || r.Doubtful {
		r.Value, r.U = j.k.GaugeOf(r.Value, j.now)
	}
	return r
}

func (j *Judge) tell(changes []alarm.Change) {
	for i := range changes {
		c := changes[i]
		j.out = append(j.out, Change{Alarm: &c})
	}
}

// fireOut and fireIn tell the watches what the fire is meant to be.
func (j *Judge) fireOut(at track.Instant) {
	j.w.known.Marks.FireOut(at)
	j.w.known.SaidLit = false
}

func (j *Judge) fireIn() { j.w.known.Marks.FireIn() }

// hearAlarm takes what a person does about an alarm.
func (j *Judge) hearAlarm(ev telemetry.Event, at track.Instant) error {
	changes, err := j.w.board.Panel.Do(ev.Subject, func(m *alarm.Machine, out []alarm.Change) ([]alarm.Change, error) {
		switch ev.Kind {
		case telemetry.AlarmAcknowledged:
			return m.Acknowledge(at, ev.By, out)
		case telemetry.AlarmShelved:
			return m.Shelve(at, track.Of(ev.Until), ev.By, ev.Why, out)
		}
		return m.Unshelve(at, ev.By, out)
	}, nil)
	j.tell(changes)
	return err
}

// hearNode takes that a node was put away on purpose, or is back.
func (j *Judge) hearNode(ev telemetry.Event, at track.Instant) {
	away := ev.Kind == telemetry.NodePutAway
	n := j.node(ev.Subject)
	n.PutAway = away
	others := slices.ContainsFunc(j.w.known.Nodes, func(o watch.Node) bool { return o.ID != ev.Subject && !o.PutAway })
	by := ev.By
	if by == "" {
		by = "a person"
	}
	// Refused only where it is so already.
	changes, _ := j.w.board.Panel.Do("node-lost", func(m *alarm.Machine, out []alarm.Change) ([]alarm.Change, error) {
		switch {
		case away && !others:
			return m.TakeOut(at, by, "node "+ev.Subject+" is put away", out)
		case !away:
			return m.PutBack(at, by, out)
		}
		return out, nil
	}, nil)
	j.tell(changes)
}

// node returns what is known of a node, which it adds where nothing was.
func (j *Judge) node(id string) *watch.Node {
	for i := range j.w.known.Nodes {
		if n := &j.w.known.Nodes[i]; n.ID == id {
			return n
		}
	}
	j.w.known.Nodes = append(j.w.known.Nodes, watch.Node{ID: id, Up: true})
	return &j.w.known.Nodes[len(j.w.known.Nodes)-1]
}

// Node takes what a node said of itself, or its last will, and returns what changed.
func (j *Judge) Node(at time.Time, id string, up bool) []Change {
	j.out = nil
	j.advance(track.Of(at))
	j.node(id).Up = up
	j.evaluate()
	return j.out
}

// Store takes what is the matter with the store, empty for nothing, and returns what
// changed.
func (j *Judge) Store(at time.Time, trouble string) []Change {
	j.out = nil
	j.advance(track.Of(at))
	j.w.known.Store = trouble
	j.evaluate()
	return j.out
}

// checkAlarm reports why an alarm would not take what a person wants of it.
func (j *Judge) checkAlarm(ev telemetry.Event) error {
	m := j.w.board.Panel.Get(ev.Subject)
	if m == nil {
		return &alarm.UnknownError{Watch: ev.Subject}
	}
	// Tried on a copy: what would be refused must not be kept as said.
	trial := *m
	at := max(j.now, track.Of(ev.At))
	var err error
	switch ev.Kind {
	case telemetry.AlarmAcknowledged:
		_, err = trial.Acknowledge(at, ev.By, nil)
	case telemetry.AlarmShelved:
		_, err = trial.Shelve(at, track.Of(ev.Until), ev.By, ev.Why, nil)
	default:
		_, err = trial.Unshelve(at, ev.By, nil)
	}
	return err
}

// Alarm is one watch as it stands now.
type Alarm struct {
	alarm.Saved
	// Title, Consequence and Action are for the person; RespondS is how long there is
	// to act, in seconds.
	Title, Consequence, Action string
	RespondS                   float64
	// Unseen is that it stands and its cause cannot be seen now.
	Unseen bool
	// ShelfS is for how many seconds it may be put aside at most; 0 not at all.
	ShelfS float64
}

// alarms returns every watch as it stands.
func (j *Judge) alarms() []Alarm {
	table := j.w.board.Table()
	out := make([]Alarm, len(table))
	for i := range table {
		m := j.w.board.Panel.At(i)
		s := m.Saved()
		out[i] = Alarm{
			Saved: s, Title: table[i].Title, Consequence: table[i].Consequence, Action: table[i].Action,
			RespondS: table[i].RespondS, ShelfS: table[i].ShelfS, Unseen: m.In() && s.Condition == alarm.Unknown,
		}
	}
	return out
}

// Alarms returns every alarm as it stands, as if each had just changed.
func (j *Judge) Alarms() []alarm.Change {
	saved := j.w.board.Panel.Saved()
	out := make([]alarm.Change, len(saved))
	for i, s := range saved {
		out[i] = alarm.Change{At: j.now.Time(), Engine: j.engine.ID, Watch: s.Watch, State: s.State, Priority: s.Priority, Text: s.Text, By: s.By}
	}
	return out
}

// renewHealth forgets what the comparison of partners has shown: another fire, or a
// sensor that somebody has seen to.
func (j *Judge) renewHealth() { j.w.health.Renew() }

// heard lowers the quality of what is not to be relied upon, and keeps the marks that
// the watches go by.
func (j *Judge) heard(s telemetry.Sample) telemetry.Sample {
	s = j.w.health.Add(s, j.now)
	j.w.heardShell(s.Channel, j.engine)
	return s
}

// marked keeps what a sample that was just taken in means to the watches.
func (j *Judge) marked(s telemetry.Sample, admission track.Admission) {
	switch {
	case admission == track.Conflicting:
		j.w.known.ConflictAt = j.now
	case s.Quality == telemetry.Good && s.Channel == telemetry.BoilerPressure && admission == track.Newest:
		p, _ := j.k.GaugeOf(s.Value, track.Of(s.At))
		j.w.known.Marks.Pressure(track.Of(s.At), p)
	}
}

// Saved is what a judge cannot learn again from the samples of a day and a half and
// from what was said, for keeping over a restart.
type Saved struct {
	// At is the moment at which it stood so.
	At     track.Instant `json:"at"`
	Alarms []alarm.Saved `json:"alarms"`
	Rest   SavedRest     `json:"rest"`
	// Learned is what was believed of the engine before this evening, to forecast by;
	// nil where the judge does not foretell.
	Learned *forecast.Learned `json:"learned,omitempty"`
}

// Saved returns it.
func (j *Judge) Saved() Saved {
	return Saved{At: j.now, Alarms: j.w.board.Panel.Saved(), Rest: j.rest.saved(), Learned: j.believed()}
}

// Restore takes up what was saved, in place of what this judge found so far. The
// caller has judged the samples up to that moment, and goes on with those after it.
// What cannot be restored is named in the error; the rest is.
func (j *Judge) Restore(s Saved) ([]Change, error) {
	j.out = nil
	j.rest.restore(s.Rest)
	err := j.w.board.Panel.Restore(s.Alarms)
	if err != nil {
		err = fmt.Errorf("engine %s: %w", j.engine.ID, err)
	}
	if j.started {
		j.evaluate()
	}
	return j.out, err
}

// stands reports whether a person's word stands.
func (j *Judge) stands(confirm string) bool {
	_, ok := j.k.Said.Get(confirm)
	return ok
}
