package notify_test

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/outbox"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/ingest/store"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

const (
	penhalow, oxley, bray = "R. Penhalow", "T. Oxley", "N. Bray"
	mail, webhook         = "mail", "webhook"
)

// far is a far end by our script: what it took, and what it answers.
type far struct {
	mu     sync.Mutex
	took   []notify.Message
	tried  []notify.Message
	at     []time.Time // of each attempt
	answer func(notify.Message) error
	hang   bool
}

func (f *far) Send(ctx context.Context, m notify.Message) error {
	f.mu.Lock()
	f.tried, f.at = append(f.tried, m), append(f.at, time.Now())
	answer, hang := f.answer, f.hang
	f.mu.Unlock()
	if hang {
		<-ctx.Done()
		return ctx.Err()
	}
	if answer != nil {
		if err := answer(m); err != nil {
			return err
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.took = append(f.took, m)
	return nil
}

func (f *far) says(answer func(notify.Message) error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.answer = answer
}

func fails(err error) func(notify.Message) error {
	return func(notify.Message) error { return err }
}

func (f *far) attempts() []notify.Message {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.tried)
}

func (f *far) times() []time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.at)
}

func (f *far) hangs(hang bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hang = hang
}

// taken gives what was taken as "person cause turn", in order of time, and forgets it.
func (f *far) taken() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make([]string, len(f.took))
	for i, m := range f.took {
		cause := m.Notice.Cause
		if m.Notice.Kind == notify.Test {
			cause = "test/" + m.Way
		}
		out[i] = m.To + " " + cause + " " + string(m.Notice.Turn)
	}
	f.took = nil
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// shed is a store, an office on it and its far ends, all in one bubble of time.
type shed struct {
	*testing.T
	ctx    context.Context
	path   string
	store  *store.Store
	office *notify.Office
	mail   *far
	hook   *far
	push   *far
	stop   context.CancelFunc
	ended  chan error
	turns  map[string]int
	race   *racing // nil for none
	// unjudged is the engine that is not judged up to now; empty for none.
	unjudged atomic.Value
}

var london = func() *time.Location {
	z, err := time.LoadLocation("Europe/London")
	if err != nil {
		panic(err)
	}
	return z
}()

// inShed runs a test in a bubble whose clock stands at 2 January 2000, 12:00.
func inShed(t *testing.T, f func(s *shed)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(36 * time.Hour)
		s := &shed{T: t, ctx: context.Background(), path: filepath.Join(t.TempDir(), "ashlamp.db"), mail: &far{}, hook: &far{}, push: &far{}, turns: map[string]int{}}
		s.open()
		f(s)
		s.close()
	})
}

func (s *shed) open() {
	s.Helper()
	var err error
	if s.store, err = store.Open(s.ctx, s.path); err != nil {
		s.Fatal(err)
	}
	var kept notify.Outbox = outbox.Outbox{Store: s.store}
	if s.race != nil {
		s.race.Outbox, kept = kept, s.race
	}
	s.office, err = notify.New(s.ctx, notify.Config{
		Outbox: kept, Shed: "Fernhollow shed", Zone: london, People: []string{penhalow, oxley, bray},
		Ways:    map[string]notify.Way{"mail": s.mail, "webhook": s.hook, "push": s.push},
		PushKey: "BKey", Escalate: 5 * time.Minute, Watcher: func() *message.AlertsWatcher { return nil },
		Current: func(engine string) bool { return s.unjudged.Load() != engine }, Clock: clock.Board{}, Random: func() float64 { return 0.5 },
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		s.Fatal(err)
	}
	ctx, stop := context.WithCancel(s.ctx)
	s.stop, s.ended = stop, make(chan error, 1)
	go func() { s.ended <- s.office.Run(ctx) }()
	synctest.Wait()
}

func (s *shed) close() {
	s.Helper()
	s.stop()
	if err := <-s.ended; err != nil {
		s.Fatal(err)
	}
	if err := s.store.Close(); err != nil {
		s.Fatal(err)
	}
}

// restart closes all and opens it again a while later.
func (s *shed) restart(after time.Duration) {
	s.Helper()
	s.close()
	time.Sleep(after)
	s.open()
}

func (s *shed) choose(person string, alter func(c *message.AlertsChoice)) {
	s.Helper()
	c := message.AlertsChoice{Kinds: notice.Kinds(), Lowest: alarm.Low, Pressure: "bar", Temperature: "C", Mail: strings.ToLower(person[3:]) + "@fernhollow.example"}
	if alter != nil {
		alter(&c)
	}
	if err := s.office.Choose(s.ctx, person, c.Whole()); err != nil {
		s.Fatal(err)
	}
}

// keep puts the next turn of a cause into the store, as the judgement does, and wakes
// the office.
func (s *shed) keep(cause string, turn notice.Turn, alter func(*notice.Notice)) {
	s.Helper()
	engine, kind, _ := strings.Cut(cause, "/")
	kind, _, _ = strings.Cut(kind, "/")
	s.turns[cause]++
	n := notice.Notice{
		Cause: cause, N: s.turns[cause], Turn: turn, Kind: notice.Kind(kind), Engine: engine, Name: engine, Subject: "frost",
		At: time.Now(), Began: time.Now(), Priority: alarm.Medium, Facts: notice.Facts{Title: "Frost", Action: "Drain the injectors."},
	}
	if alter != nil {
		alter(&n)
	}
	if err := s.store.Update(s.ctx, func(t *store.Tx) error { return t.PutNotice(n) }); err != nil {
		s.Fatal(err)
	}
	s.office.Wake()
	synctest.Wait()
}

// after lets time pass and compares what was taken by mail meanwhile.
func (s *shed) after(d time.Duration, want ...string) {
	s.Helper()
	time.Sleep(d)
	synctest.Wait()
	if got := s.mail.taken(); got != strings.Join(want, ", ") {
		s.Errorf("after %s, at %s, by mail:\n got %s\nwant %s", d, time.Now().In(london).Format("15:04:05"), got, strings.Join(want, ", "))
	}
}

func (s *shed) state(cause string) string {
	s.Helper()
	ls, err := s.store.LettersOf(s.ctx, cause)
	if err != nil {
		s.Fatal(err)
	}
	var out []string
	for _, l := range ls {
		out = append(out, fmt.Sprintf("%s %s %d %s", l.Person, l.Way, l.N, l.State))
	}
	return strings.Join(out, ", ")
}

const frost = "quillet/alarm/frost/1"

func TestEachIsToldOnceAndWhenItIsOver(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.choose(oxley, func(c *message.AlertsChoice) { c.Engines = []string{"marrow"} })
		s.choose(bray, func(c *message.AlertsChoice) { c.Lowest = alarm.High; c.Webhook = true })
		s.keep(frost, notice.Began, nil)
		s.after(0, penhalow+" "+frost+" began")
		s.after(48 * time.Hour)
		s.keep(frost, notice.Worse, func(n *notice.Notice) { n.Priority = alarm.High })
		s.after(0, bray+" "+frost+" worse", penhalow+" "+frost+" worse")
		if got := s.hook.taken(); got != bray+" "+frost+" worse" {
			t.Errorf("webhook: %s", got)
		}
		s.keep(frost, notice.Over, nil)
		s.after(0, bray+" "+frost+" over", penhalow+" "+frost+" over")
		if got := s.hook.taken(); got != bray+" "+frost+" over" {
			t.Errorf("webhook: %s", got)
		}
		s.restart(time.Hour)
		s.after(time.Hour)
		m := s.mail.attempts()[0]
		if m.ID == "" || m.Tag != frost || m.Address != "penhalow@fernhollow.example" || m.Place != "#/pit?engine=quillet" || m.Attempt != 1 ||
			!strings.HasPrefix(m.Line, "quillet") || m.Way != mail || !m.Until.After(time.Now()) {
			t.Errorf("message %+v", m)
		}
	})
}

func TestWhatIsOverBeforeItCouldBeToldIsNotTold(t *testing.T) {
	for _, turn := range []notice.Turn{notice.Over, notice.Seen} {
		inShed(t, func(s *shed) {
			s.choose(penhalow, nil)
			s.mail.says(fails(&net.OpError{Op: "dial", Err: errors.New("network is unreachable")}))
			const ready = "quillet/ready//1"
			s.keep(ready, notice.Began, nil)
			s.after(time.Hour)
			s.keep(ready, turn, nil) // relit
			s.mail.says(nil)
			s.after(48 * time.Hour) // neither that it was, nor that it no longer is
			if got := s.state(ready); got != penhalow+" mail 1 over" {
				t.Error(got)
			}
		})
	}
}

// A daemon that comes back, or whose judgement hangs, has on disk what was so then: the
// engine may have been relit since.
func TestNothingIsPromisedOfAnEngineThatIsNotJudged(t *testing.T) {
	for _, kind := range []notice.Kind{notice.Ready, notice.CoolEnough} {
		inShed(t, func(s *shed) {
			s.choose(penhalow, nil)
			cause := "quillet/" + string(kind) + "//1"
			s.mail.says(fails(&net.OpError{Op: "dial", Err: errors.New("network is unreachable")}))
			s.keep(cause, notice.Began, func(n *notice.Notice) { n.Facts.Yet = []string{"Ash cleared"} })
			s.after(time.Hour)
			s.close()
			s.unjudged.Store("quillet")
			s.mail.says(nil)
			s.open()
			s.after(time.Hour)
			s.keep(frost, notice.Began, nil)
			s.after(time.Minute, penhalow+" "+frost+" began") // an alarm is told all the same
			s.keep(cause, notice.Over, nil)
			s.unjudged.Store("")
			s.after(48 * time.Hour)
			if got := s.state(cause); got != penhalow+" mail 1 over" {
				t.Error(got)
			}
		})
	}
}

func TestWhatIsJudgedAgainAndStillSoIsTold(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.unjudged.Store("quillet")
		const ready = "quillet/ready//1"
		s.keep(ready, notice.Began, nil)
		s.after(time.Hour)
		s.unjudged.Store("")
		s.after(time.Minute, penhalow+" "+ready+" began")
	})
}

// An attempt that broke off may have been heard: it is taken back.
func TestWhatMayHaveBeenToldIsTakenBack(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		const ready = "quillet/ready//1"
		s.mail.says(fails(io.ErrUnexpectedEOF))
		s.keep(ready, notice.Began, nil)
		s.keep(ready, notice.Over, nil)
		s.mail.says(nil)
		s.after(time.Minute, penhalow+" "+ready+" over")
	})
	inShed(t, func(s *shed) { // so does one that the daemon did not live to see the end of
		s.choose(penhalow, nil)
		const ready = "quillet/ready//1"
		s.mail.hangs(true)
		s.keep(ready, notice.Began, nil)
		s.restart(time.Second)
		s.mail.hangs(false)
		s.keep(ready, notice.Over, nil)
		s.after(time.Minute, penhalow+" "+ready+" over")
	})
}

// racing is an outbox in which something happens between the look at what is due and the
// attempt.
type racing struct {
	notify.Outbox
	meanwhile func()
}

func (r *racing) DueLetters(ctx context.Context, by time.Time) ([]notify.Letter, error) {
	ls, err := r.Outbox.DueLetters(ctx, by)
	if len(ls) > 0 && r.meanwhile != nil {
		r.meanwhile()
	}
	return ls, err
}

// What is over in the very moment before the attempt is not told: the last look is taken
// in the transaction that begins it.
func TestTheLastLookIsTheAttemptsOwn(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.race = &racing{}
		s.restart(0)
		const ready = "quillet/ready//1"
		s.race.meanwhile = func() {
			s.race.meanwhile = nil
			n := notice.Notice{Cause: ready, N: 2, Turn: notice.Over, Kind: notice.Ready, Engine: "quillet", Name: "quillet", At: time.Now(), Began: time.Now()}
			if err := s.store.Update(s.ctx, func(t *store.Tx) error { return t.PutNotice(n) }); err != nil {
				s.Fatal(err)
			}
		}
		s.keep(ready, notice.Began, nil)
		s.after(time.Hour)
		if len(s.mail.attempts()) != 0 {
			t.Errorf("%d attempts", len(s.mail.attempts()))
		}
	})
}

// An attempt that goes on while it is over is taken back, unless it turns out that the
// other side was never reached.
func TestWhatIsOverDuringAnAttempt(t *testing.T) {
	for _, tt := range []struct {
		name string
		err  error
		want []string
	}{
		{"taken", nil, []string{penhalow + " " + frost + " began", penhalow + " " + frost + " over"}},
		{"broken off", io.ErrUnexpectedEOF, []string{penhalow + " " + frost + " over"}},
		{"never reached", &net.OpError{Op: "dial", Err: errors.New("no route to host")}, nil},
	} {
		inShed(t, func(s *shed) {
			s.choose(penhalow, nil)
			through := make(chan struct{})
			s.mail.says(func(m notify.Message) error {
				if m.Notice.Turn == notice.Began {
					<-through
					return tt.err
				}
				return nil
			})
			s.keep(frost, notice.Began, nil)
			s.keep(frost, notice.Over, nil)
			s.after(time.Second) // nothing overtakes it
			close(through)
			s.after(time.Hour, tt.want...)
		})
	}
}

func TestTheNextPersonIsRungUntilSomebodyAnswers(t *testing.T) {
	one := func(answered time.Duration, want string) {
		inShed(t, func(s *shed) {
			for i, p := range []string{penhalow, oxley, bray} {
				s.choose(p, func(c *message.AlertsChoice) { c.After = i; c.Webhook = i == 0 })
			}
			began := time.Now()
			s.keep(frost, notice.Began, nil)
			time.Sleep(answered)
			s.keep(frost, notice.Seen, func(n *notice.Notice) { n.Acknowledged, n.Facts.By = true, oxley })
			time.Sleep(time.Hour)
			synctest.Wait()
			var got []string
			for i, m := range s.mail.attempts() {
				got = append(got, fmt.Sprint(m.To, " ", s.mail.times()[i].Sub(began)))
			}
			if strings.Join(got, ", ") != want {
				s.Errorf("answered after %s:\n got %s\nwant %s", answered, strings.Join(got, ", "), want)
			}
			if got := s.hook.taken(); got != penhalow+" "+frost+" began, "+penhalow+" "+frost+" seen" {
				s.Errorf("a program that was told is told who has seen it: %s", got)
			}
		})
	}
	one(5*time.Minute-time.Second, "R. Penhalow 0s")
	one(5*time.Minute+time.Second, "R. Penhalow 0s, T. Oxley 5m0s")
	one(11*time.Minute, "R. Penhalow 0s, T. Oxley 5m0s, N. Bray 10m0s")
}

func TestTurnsCountFromTheFirstWhoIsThere(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(oxley, func(c *message.AlertsChoice) { c.After = 2 })
		s.choose(bray, func(c *message.AlertsChoice) { c.After = 3 })
		s.choose(penhalow, func(c *message.AlertsChoice) { c.Mail = "" }) // no way to him
		s.keep(frost, notice.Began, nil)
		s.after(0, oxley+" "+frost+" began")
		// It gets worse: whose turn was coming is not put off.
		s.after(4 * time.Minute)
		s.keep(frost, notice.Worse, nil)
		s.after(0, oxley+" "+frost+" worse")
		s.after(time.Minute, bray+" "+frost+" worse")
		// What nobody can acknowledge waits for nobody.
		s.keep("quillet/ready//1", notice.Began, nil)
		s.after(0, bray+" quillet/ready//1 began", oxley+" quillet/ready//1 began")
		// What somebody has acknowledged rings nobody else.
		s.keep("marrow/alarm/x/1", notice.Began, func(n *notice.Notice) { n.Acknowledged = true })
		s.after(time.Hour)
	})
}

func TestQuietHours(t *testing.T) {
	inShed(t, func(s *shed) { // 12:00
		s.choose(penhalow, func(c *message.AlertsChoice) { c.QuietFrom, c.QuietTo = "22:00", "06:30" })
		s.after(10*time.Hour - time.Second)
		s.keep("quillet/alarm/a/1", notice.Began, nil)
		s.after(0, penhalow+" quillet/alarm/a/1 began")
		s.after(time.Second)
		s.keep("quillet/alarm/b/1", notice.Began, nil)
		s.keep("quillet/ready//1", notice.Began, func(n *notice.Notice) { n.Priority = alarm.High })
		s.keep("quillet/alarm/gone/1", notice.Began, nil)
		s.keep("quillet/alarm/c/1", notice.Began, func(n *notice.Notice) { n.Priority = alarm.High })
		s.after(0, penhalow+" quillet/alarm/c/1 began")
		s.keep("quillet/alarm/gone/1", notice.Over, nil)
		s.after(8*time.Hour + 30*time.Minute - time.Second)
		s.after(time.Second, penhalow+" quillet/alarm/b/1 began", penhalow+" quillet/ready//1 began")

		// One that fails into the quiet hours waits for their end.
		s.after(15 * time.Hour) // 21:30
		s.mail.says(fails(&notify.Later{After: 40 * time.Minute, Err: errors.New("busy")}))
		s.keep("quillet/alarm/d/1", notice.Began, nil)
		s.mail.says(nil)
		s.after(8 * time.Hour)
		s.after(time.Hour, penhalow+" quillet/alarm/d/1 began")
	})
}

func TestAttemptsAreMadeAgain(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.mail.says(fails(&net.OpError{Op: "dial", Err: errors.New("no route to host")}))
		began := time.Now()
		s.keep(frost, notice.Began, nil)
		s.after(3 * 24 * time.Hour) // days without a network, and restarts within
		s.restart(time.Hour)
		s.mail.says(nil)
		s.after(15*time.Minute+time.Second, penhalow+" "+frost+" began")
		ids, longer := map[string]bool{}, 0
		for i, m := range s.mail.attempts() {
			ids[m.ID] = true
			if m.Attempt != i+1 {
				t.Fatalf("attempt %d says that it is number %d", i+1, m.Attempt)
			}
			if i == 0 {
				continue
			}
			gap, span := s.mail.times()[i].Sub(s.mail.times()[i-1]), min(time.Duration(1<<min(i, 20))*time.Second, 15*time.Minute)
			if gap < time.Second || gap > span {
				longer++ // the hour that nobody was there
				t.Logf("%s between attempts %d and %d, beside 1 s to %s", gap, i, i+1, span)
			}
		}
		if len(ids) != 1 || longer > 1 || len(s.mail.attempts()) < 200 || s.mail.times()[1].Sub(began) > 2*time.Second {
			t.Errorf("%d attempts under %d ids, the second after %s", len(s.mail.attempts()), len(ids), s.mail.times()[1].Sub(began))
		}
	})
}

func TestWhatTheOtherSideAsksFor(t *testing.T) {
	for _, tt := range []struct {
		name  string
		err   error
		again time.Duration // 0: never
		state string
	}{
		{"later, in 10 minutes", &notify.Later{After: 10 * time.Minute, Err: errors.New("busy")}, 10 * time.Minute, "waiting"},
		{"later, in a week", &notify.Later{After: 168 * time.Hour, Err: errors.New("busy")}, 6 * time.Hour, "waiting"},
		{"later, it does not say when", &notify.Later{Err: errors.New("busy")}, 1500 * time.Millisecond, "waiting"},
		{"refused", fmt.Errorf("no such mailbox: %w", notify.ErrRefused), 0, "given-up"},
		{"gone", notify.ErrGone, 0, "given-up"},
		{"anything else", errors.New("451 try again"), 1500 * time.Millisecond, "waiting"},
	} {
		inShed(t, func(s *shed) {
			s.choose(penhalow, nil)
			s.mail.says(fails(tt.err))
			s.keep(frost, notice.Began, nil)
			s.mail.says(nil)
			if got := s.state(frost); got != penhalow+" mail 1 "+tt.state {
				s.Errorf("%s: %s", tt.name, got)
			}
			time.Sleep(24 * time.Hour)
			synctest.Wait()
			switch {
			case tt.again == 0 && len(s.mail.attempts()) != 1:
				s.Errorf("%s: tried %d times", tt.name, len(s.mail.attempts()))
			case tt.again > 0 && (len(s.mail.times()) != 2 || s.mail.times()[1].Sub(s.mail.times()[0]) != tt.again):
				s.Errorf("%s: tried at %v, want again after %s", tt.name, s.mail.times(), tt.again)
			}
		})
	}
}

// A way that hangs holds up none but its own messages, and those not for ever.
func TestOneWayHoldsUpNoOther(t *testing.T) {
	inShed(t, func(s *shed) {
		for _, p := range []string{penhalow, oxley, bray} {
			s.choose(p, func(c *message.AlertsChoice) { c.Webhook = p == penhalow })
		}
		s.mail.hangs(true)
		began := time.Now()
		s.keep(frost, notice.Began, nil)
		s.keep("quillet/alarm/other/1", notice.Began, nil)
		if got := s.hook.taken(); got != penhalow+" "+frost+" began, "+penhalow+" quillet/alarm/other/1 began" {
			t.Errorf("webhook while mail hangs: %s", got)
		}
		s.after(notify.SendTimeout)
		s.mail.hangs(false)
		s.after(2*notify.SendTimeout, bray+" "+frost+" began", bray+" quillet/alarm/other/1 began", penhalow+" "+frost+" began",
			penhalow+" quillet/alarm/other/1 began", oxley+" "+frost+" began", oxley+" quillet/alarm/other/1 began")
		if n := len(s.mail.attempts()); n < 9 || time.Since(began) > time.Hour {
			t.Errorf("%d attempts", n)
		}
	})
	inShed(t, func(s *shed) { // nor old ones that fail again and again something new
		s.choose(penhalow, nil)
		s.mail.hangs(true)
		for i := range 30 {
			s.keep(fmt.Sprint("quillet/alarm/old/", i), notice.Began, nil)
		}
		time.Sleep(time.Hour)
		synctest.Wait()
		tried := len(s.mail.attempts())
		s.keep(frost, notice.Began, nil)
		time.Sleep(notify.SendTimeout + time.Second)
		synctest.Wait()
		if next := s.mail.attempts()[tried].Notice.Cause; next != frost {
			t.Errorf("before the newest %s was tried again", next)
		}
	})
	inShed(t, func(s *shed) { // nor one that breaks down
		s.choose(penhalow, func(c *message.AlertsChoice) { c.Webhook = true })
		s.hook.says(func(notify.Message) error { panic("a bug") })
		s.keep(frost, notice.Began, nil)
		s.after(0, penhalow+" "+frost+" began")
		s.hook.says(nil)
		s.after(time.Minute)
		if got := s.hook.taken(); got != penhalow+" "+frost+" began" {
			t.Errorf("webhook: %s", got)
		}
	})
}

// What counts for a letter that waits is what the person has chosen by now.
func TestAChoiceCountsForWhatWaits(t *testing.T) {
	for name, alter := range map[string]func(*message.AlertsChoice){
		"the kind is no longer wanted": func(c *message.AlertsChoice) { c.Kinds = nil },
		"nor this priority":            func(c *message.AlertsChoice) { c.Lowest = alarm.High },
		"nor this engine":              func(c *message.AlertsChoice) { c.Engines = []string{"marrow"} },
		"the address is taken away":    func(c *message.AlertsChoice) { c.Mail = "" },
	} {
		inShed(t, func(s *shed) {
			s.choose(penhalow, nil)
			s.mail.says(fails(errors.New("no")))
			s.keep(frost, notice.Began, nil)
			s.choose(penhalow, alter)
			s.mail.says(nil)
			s.after(24 * time.Hour)
			if got := s.state(frost); got != penhalow+" mail 1 over" {
				s.Errorf("%s: %s", name, got)
			}
		})
	}
}

func TestWhatIsTooOldIsNotTold(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.mail.says(fails(errors.New("no")))
		s.keep("quillet/ready//1", notice.Began, nil)
		s.keep(frost, notice.Began, nil)
		s.after(24*time.Hour + 15*time.Minute)
		s.mail.says(nil)
		s.after(15*time.Minute, penhalow+" "+frost+" began")
		if got := s.state("quillet/ready//1"); got != penhalow+" mail 1 over" {
			t.Error(got)
		}
	})
}

// What both engines find of the shed is told once, and over when it is so for both.
func TestWhatIsOfTheShedIsToldOnce(t *testing.T) {
	of := func(n *notice.Notice) { n.OfShed = true }
	const quillet, marrow = "quillet/lay-up/frost/1", "marrow/lay-up/frost/1"
	inShed(t, func(s *shed) {
		s.choose(penhalow, func(c *message.AlertsChoice) { c.Engines = []string{"marrow"}; c.Webhook = true })
		s.keep(quillet, notice.Began, of)
		s.after(time.Second, penhalow+" "+quillet+" began")
		s.keep(marrow, notice.Began, of)
		s.after(time.Second)
		s.keep(quillet, notice.Over, of)
		s.after(time.Second)
		s.restart(time.Hour)
		s.keep(marrow, notice.Over, of)
		s.after(time.Second, penhalow+" "+marrow+" over")
		for _, m := range s.mail.attempts() {
			if m.Tag != quillet || m.Place != "#/shed" {
				t.Errorf("%s is shown under %s, goes to %s", m.Notice.Cause, m.Tag, m.Place)
			}
		}
		s.keep(quillet, notice.Over, of) // twice over is once over
		s.after(time.Second)
	})
	inShed(t, func(s *shed) { // who could not be told by the first is told by the second
		s.choose(penhalow, func(c *message.AlertsChoice) { c.Webhook = true })
		s.mail.says(fails(&notify.Later{After: time.Hour, Err: errors.New("busy")}))
		s.keep(quillet, notice.Began, of)
		s.keep(marrow, notice.Began, of)
		s.mail.says(nil)
		s.keep(quillet, notice.Over, of)
		s.after(time.Second, penhalow+" "+marrow+" began")
		if got := s.hook.taken(); got != penhalow+" "+quillet+" began" {
			t.Errorf("webhook: %s", got)
		}
		s.keep(marrow, notice.Over, of)
		s.after(time.Second, penhalow+" "+marrow+" over")
		if got := s.hook.taken(); got != penhalow+" "+marrow+" over" {
			t.Errorf("webhook: %s", got)
		}
	})
	inShed(t, func(s *shed) { // the second presses more, and is seen
		s.choose(penhalow, nil)
		s.choose(oxley, func(c *message.AlertsChoice) { c.After = 1 })
		s.keep(quillet, notice.Began, of)
		s.after(time.Second, penhalow+" "+quillet+" began")
		s.keep(marrow, notice.Began, func(n *notice.Notice) { of(n); n.Priority = alarm.High })
		s.after(time.Second, penhalow+" "+marrow+" began")
		s.keep(quillet, notice.Seen, of)
		s.after(time.Hour)
	})
}

// A daemon that finds much at once after a while addresses only what is still so.
func TestOnlyTheNewestTurnIsTold(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.close()
		var err error
		if s.store, err = store.Open(s.ctx, s.path); err != nil {
			t.Fatal(err)
		}
		if err := s.store.Update(s.ctx, func(tx *store.Tx) error {
			var err error
			for i, turn := range []notice.Turn{notice.Began, notice.Worse, notice.Worse} {
				err = cmp.Or(err, tx.PutNotice(notice.Notice{Cause: frost, N: i + 1, Turn: turn, Kind: notice.Alarm, Engine: "quillet", Name: "Quillet", At: time.Now(), Began: time.Now()}))
			}
			for i := range 300 { // more than are read at a time
				cause := fmt.Sprint("quillet/ready//", i)
				err = cmp.Or(err, tx.PutNotice(notice.Notice{Cause: cause, N: 1, Turn: notice.Began, Kind: notice.Ready, Engine: "quillet", Name: "Quillet", At: time.Now(), Began: time.Now()}))
				err = cmp.Or(err, tx.PutNotice(notice.Notice{Cause: cause, N: 2, Turn: notice.Over, Kind: notice.Ready, Engine: "quillet", Name: "Quillet", At: time.Now(), Began: time.Now()}))
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if err := s.store.Close(); err != nil {
			t.Fatal(err)
		}
		s.open()
		s.after(time.Second, penhalow+" "+frost+" worse")
		if n, err := s.store.Addressed(s.ctx); err != nil || n != 603 {
			t.Errorf("addressed up to %d, %v", n, err)
		}
	})
}

// What another version wrote, or a disk has spoiled, keeps nothing else from being told.
func TestWhatCannotBeReadHoldsUpNothing(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.choose(oxley, nil)
		s.keep("quillet/alarm/spoiled/1", notice.Began, nil)
		s.after(0, penhalow+" quillet/alarm/spoiled/1 began", oxley+" quillet/alarm/spoiled/1 began")
		s.keep("marrow/lay-up/frost/1", notice.Began, func(n *notice.Notice) { n.OfShed = true })
		s.mail.taken()
		s.close()
		spoil(t, s.path,
			`INSERT INTO notice (cause, n, turn, at, body) VALUES ('x', 1, 'began', 0, CAST('{"priority":"dire"}' AS BLOB))`,
			`INSERT INTO letter (id, cause, n, person, way, body, written, due, until, attempts, doubt, state, trouble)
			 VALUES ('x', 'y', 1, 'R. Penhalow', 'mail', CAST('[]' AS BLOB), 1, 1, 2000000000000000, 0, 0, 'waiting', '')`,
			`UPDATE state SET value = CAST('spoiled' AS BLOB) WHERE key IN ('notify/person/T. Oxley', 'notify/of-shed')`)
		s.open()
		s.keep(frost, notice.Began, nil)
		s.keep("quillet/lay-up/frost/1", notice.Began, func(n *notice.Notice) { n.OfShed = true })
		s.after(time.Minute, penhalow+" "+frost+" began", penhalow+" quillet/lay-up/frost/1 began")
		a := s.alerts(penhalow)
		found := false
		for _, l := range a.Letters {
			found = found || l.State == "given-up" && strings.Contains(l.Line, "no longer be read")
		}
		if !found {
			t.Errorf("letters %+v", a.Letters)
		}
		if a := s.alerts(oxley); a.Choice.Mail != "" || len(a.Choice.Kinds) == 0 {
			t.Errorf("choice %+v", a.Choice)
		}
	})
}

func spoil(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	for _, q := range statements {
		if _, err := db.Exec(q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
}
