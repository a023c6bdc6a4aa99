package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/page"
	"ashlamp/hardware/pulse"
	"ashlamp/ingest/door/doortest"
	"ashlamp/ingest/store"
	"ashlamp/rules/notice"
	"ashlamp/rules/silence"
	"ashlamp/simulators/beacon"
	"ashlamp/simulators/chip"
)

// lampEnv says that the test binary is to be the daemon as it is shipped, on a board that
// has a pin of the name. What the pin is driven to goes out at file descriptor 3, where
// the monostable is: it outlives the daemon, as the metal does.
const lampEnv = "ASHLAMP_TEST_LAMP_PIN"

// wire is the pin.
type wire struct {
	gpiotest.Pin
	out *os.File
}

func (w *wire) Out(l gpio.Level) error {
	level := []byte{'0'}
	if l == gpio.High {
		level[0] = '1'
	}
	_, err := w.out.Write(level)
	return err
}

func lampDaemon(name string) int {
	if err := gpioreg.Register(&wire{Pin: gpiotest.Pin{N: name, Num: 4717}, out: os.NewFile(3, "wire")}); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	return dispatch(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}

// mortal is a daemon in a process of its own, that can be killed.
type mortal struct {
	t          *testing.T
	args, env  []string
	binary     string
	page       string
	lamp       *chip.Monostable // nil for none
	process    *exec.Cmd
	wireClosed chan struct{}
}

func (m *mortal) start() {
	m.t.Helper()
	m.process = exec.Command(m.binary, m.args...)
	m.process.Env = append(os.Environ(), m.env...)
	m.process.Stderr = &logOf{t: m.t}
	var r, w *os.File
	if m.lamp != nil {
		var err error
		if r, w, err = os.Pipe(); err != nil {
			m.t.Fatal(err)
		}
		m.process.ExtraFiles = []*os.File{w}
	}
	if err := m.process.Start(); err != nil {
		m.t.Fatal(err)
	}
	p := m.process
	m.t.Cleanup(func() {
		if p.ProcessState == nil {
			_ = p.Process.Kill()
			_ = p.Wait()
		}
	})
	if m.lamp != nil {
		_ = w.Close() // the daemon has it
		closed := make(chan struct{})
		m.wireClosed = closed
		go func() {
			defer close(closed)
			defer func() { _ = r.Close() }()
			var level [1]byte
			for {
				if _, err := r.Read(level[:]); err != nil {
					return
				}
				_ = m.lamp.Out(level[0] == '1')
			}
		}()
	}
	doortest.Until(m.t, "the page of the daemon", func() bool {
		r, err := http.Get("http://" + m.page + "/healthz")
		if err != nil {
			return false
		}
		_ = r.Body.Close()
		return r.StatusCode == http.StatusOK
	})
}

// kill is a power cut for the process.
func (m *mortal) kill() {
	m.t.Helper()
	if err := m.process.Process.Kill(); err != nil {
		m.t.Fatal(err)
	}
	_ = m.process.Wait() // it says that it was killed
	if m.lamp != nil {
		<-m.wireClosed
	}
}

func (m *mortal) confirm(engine, word string) {
	m.t.Helper()
	b, err := json.Marshal(message.Confirmation{Confirm: word})
	if err != nil {
		m.t.Fatal(err)
	}
	r, err := http.Post("http://"+m.page+"/api/v1/engines/"+engine+"/confirmations", "application/json", bytes.NewReader(b))
	if err != nil {
		m.t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	if r.StatusCode != http.StatusCreated {
		said, _ := io.ReadAll(r.Body)
		m.t.Fatalf("%s was answered %s %s", word, r.Status, said)
	}
}

// written writes a configuration into a file.
func written(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "shed.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// subscribe hears a topic at a broker.
func subscribe(t *testing.T, broker, id, topic string, take func(paho.Message)) {
	t.Helper()
	c := doortest.Node(t, broker, id, nil)
	tok := c.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) { take(m) })
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("subscribe to %s: %v", topic, tok.Error())
	}
}

// TestAKilledDaemonLeavesNoLampLit kills the daemon with the pin at either level, and
// stops it without killing it: the lamp on the board is dark within 2 s, and so, by until,
// is a lamp in the shed that hears a broker which knows nothing of it.
func TestAKilledDaemonLeavesNoLampLit(t *testing.T) {
	t.Parallel()
	broker := doortest.StartMosquitto(t, "")
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	const pin, topic = "LAMP17", "sheds/fernhollow/engines/quillet/steps/seal-dry"
	// What the step needs is by word, so that it can be proven within the test.
	m := &mortal{t: t, binary: exe, page: free(t), env: []string{lampEnv + "=" + pin}, lamp: chip.NewMonostable(clock.Board{}, pin, pulse.Hold)}
	file := written(t, fmt.Sprintf(`
[shed]
id = "fernhollow"
[http]
listen = %q
[mqtt]
broker = %q
[lamp]
gpio = %q
step = "seal-dry"
[[engine]]
id = "quillet"
working_pressure_bar = 10
boiler_volume_l = 400
by_word = { barrel-dry = "barrel-looked-in" }
`, m.page, broker.URL(), pin))
	m.args = []string{"run", "-c", file, "--data", t.TempDir()}

	shown := &beacon.Reader{Clock: true}
	var until atomic.Pointer[time.Time] // of the newest message
	subscribe(t, broker.URL(), "beacon", topic, func(got paho.Message) {
		_ = shown.Take(got.Payload(), got.Retained(), time.Now())
		var p struct {
			Until time.Time `json:"until"`
		}
		if json.Unmarshal(got.Payload(), &p) == nil {
			until.Store(&p.Until)
		}
	})
	m.start()
	doortest.Until(t, "the pin to be driven low", func() bool { high, driven := m.lamp.Level(); return driven && !high })
	doortest.Until(t, "the step to be published", func() bool { return until.Load() != nil })
	if m.lamp.Lit() || shown.Says(time.Now()) == "proven" {
		t.Fatal("a lamp burns before anything was said")
	}
	m.confirm("quillet", "plugs-removed")
	m.confirm("quillet", "barrel-looked-in")
	lit := func() {
		t.Helper()
		doortest.Until(t, "the lamp on the board", m.lamp.Lit)
		doortest.Until(t, "the lamp in the shed", func() bool { return shown.Says(time.Now()) == "proven" })
	}
	lit()
	for edges := m.lamp.Edges(); m.lamp.Edges() < edges+8; time.Sleep(10 * time.Millisecond) {
		if !m.lamp.Lit() {
			t.Fatal("the lamp flickers")
		}
	}

	// Stopped, not dead: as a process that hangs.
	if err := m.process.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	stopped := time.Now()
	doortest.Until(t, "the lamp to go out", func() bool { return !m.lamp.Lit() })
	// Asked of the lamp: this test may be late to look.
	if m.lamp.LitAt(stopped.Add(pulse.DarkWithin)) {
		t.Errorf("the daemon stood still, and %s later the lamp burns", pulse.DarkWithin)
	}
	if err := m.process.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	lit()

	left := map[bool]int{}
	for n := 0; left[true] == 0 || left[false] == 0; n++ {
		if n == 12 {
			t.Fatalf("the pin was left high %d times and low %d times", left[true], left[false])
		}
		want := left[true] == 0
		doortest.Until(t, "the pin to come to the level", func() bool { high, _ := m.lamp.Level(); return high == want })
		m.kill()
		died := time.Now()
		high, _ := m.lamp.Level()
		left[high]++
		if !m.lamp.LitAt(died) || shown.Says(died) != "proven" {
			t.Error("a lamp was dark at the moment of death: the test shows nothing")
		}
		if m.lamp.LitAt(died.Add(pulse.DarkWithin)) {
			t.Errorf("left high %t, the lamp on the board burns %s after the daemon was killed", high, pulse.DarkWithin)
		}
		if got := shown.Says(died.Add(30 * time.Second)); got != beacon.CannotTell {
			t.Errorf("30 s after the daemon was killed the lamp in the shed says %s", got)
		}
		if u := until.Load(); u.After(died.Add(30 * time.Second)) {
			t.Errorf("the broker keeps what is to be believed until %s, %s after the death", u, u.Sub(died))
		}
		// One that comes now is given what the broker had kept.
		late, kept := &beacon.Reader{Clock: true}, make(chan struct{})
		subscribe(t, broker.URL(), fmt.Sprint("late-", n), topic, func(got paho.Message) {
			if err := late.Take(got.Payload(), got.Retained(), time.Now()); err == nil && got.Retained() {
				close(kept)
			}
		})
		<-kept
		if got := late.Says(time.Now()); got != beacon.CannotTell {
			t.Errorf("by a message that the broker had kept, a lamp says %s", got)
		}
		doortest.Until(t, "the lamp to go out", func() bool { return !m.lamp.Lit() })
		m.start() // the words stand still, and the level is driven low first
		lit()
	}
	if err := m.process.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := m.process.Wait(); err != nil {
		t.Errorf("asked to stop, the daemon ended with %v", err)
	}
	<-m.wireClosed
	if high, _ := m.lamp.Level(); high {
		t.Error("asked to stop, the daemon left the pin high")
	}
}

// reading opens the store of a daemon that may run.
func reading(t *testing.T, data string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// silences are the notices that a store has of daemons that were not there.
func silences(t *testing.T, s *store.Store) []notice.Notice {
	t.Helper()
	all, err := s.Notices(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	var out []notice.Notice
	for _, n := range all {
		if strings.HasPrefix(n.Subject, silence.Subject) {
			out = append(out, n.Notice)
		}
	}
	return out
}

// TestANeighboursDeathIsNoticed: two daemons at a real broker, of which one is killed.
// The other finds it within 45 s of its own clock, and that it is back.
func TestANeighboursDeathIsNoticed(t *testing.T) {
	t.Parallel()
	broker := doortest.StartMosquitto(t, "")
	other := &mortal{t: t, binary: built(t), page: free(t)}
	engine := "\n[[engine]]\nid = \"quillet\"\nworking_pressure_bar = 10\nboiler_volume_l = 400\n"
	other.args = []string{"run", "--data", t.TempDir(), "-c", written(t, fmt.Sprintf("[shed]\nid = \"millrace\"\n[http]\nlisten = %q\n[mqtt]\nbroker = %q\n%s", other.page, broker.URL(), engine))}
	type word struct{ Up bool }
	var newest atomic.Pointer[word]
	var words atomic.Int64
	subscribe(t, broker.URL(), "onlooker", "sheds/millrace/daemon/here", func(m paho.Message) {
		var w word
		if json.Unmarshal(m.Payload(), &w) == nil {
			newest.Store(&w)
			words.Add(1)
		}
	})
	c, err := config.Parse("shed.toml", []byte(fmt.Sprintf("[shed]\nid = \"fernhollow\"\n[mqtt]\nlisten = \"127.0.0.1:0\"\n[http]\nlisten = \"127.0.0.1:0\"\n[[neighbour]]\nshed = \"millrace\"\nname = \"Millrace\"\nbroker = %q\n%s", broker.URL(), engine)))
	if err != nil {
		t.Fatal(err)
	}
	var log lockedLog
	now := clock.NewStepped(recordedAt)
	data := t.TempDir()
	a, err := app.New(t.Context(), app.Options{Config: c, Data: data, Page: page.Files(), Clock: now, Log: slog.New(slog.NewTextHandler(&log, nil)), Unserved: true})
	if err != nil {
		t.Fatal(err)
	}
	doortest.Background(t, a.Run)
	doortest.Until(t, "the link", func() bool { return log.has("listening for a neighbour") })

	other.start()
	// Its word comes while this one listens.
	doortest.Until(t, "the neighbour's word", func() bool { w := newest.Load(); return w != nil && w.Up && words.Load() >= 2 })
	kept := reading(t, data)
	at := recordedAt
	step := func(d time.Duration) {
		at = at.Add(d)
		now.Set(at)
	}
	// found moves the clock by seconds until there are so many notices.
	found := func(n int, most time.Duration) (time.Duration, []notice.Notice) {
		t.Helper()
		from := at
		for {
			// The daemon looks when its clock has moved: it is given time to.
			var got []notice.Notice
			for range 20 {
				if got = silences(t, kept); len(got) >= n {
					return at.Sub(from), got
				}
				time.Sleep(5 * time.Millisecond)
			}
			if at.Sub(from) >= most {
				t.Fatalf("after %s there are %d notices, want %d: %+v\n%s", most, len(got), n, got, log.String())
			}
			step(time.Second)
		}
	}
	step(5 * time.Second)
	if got := silences(t, kept); len(got) > 0 {
		t.Fatalf("told while the neighbour lives: %+v", got)
	}
	other.kill()
	doortest.Until(t, "the last will", func() bool { return !newest.Load().Up })
	d, got := found(1, silence.FoundWithin)
	if n := got[0]; n.Turn != notice.Began || n.Kind != notice.Lost || n.Name != "Millrace" || n.Subject != "daemon/millrace" || d < 10*time.Second {
		t.Errorf("found after %s: %+v", d, n)
	}
	t.Logf("found %s after the death: %s", d, got[0].Facts.Text)
	step(10 * time.Second)
	other.start()
	doortest.Until(t, "the neighbour's word", func() bool { return newest.Load().Up })
	_, got = found(2, silence.FoundWithin)
	if got[1].Turn != notice.Over || got[1].Cause != got[0].Cause || got[1].N != 2 {
		t.Errorf("back again, told %+v", got[1])
	}
}

// lockedLog is a log that several goroutines write.
type lockedLog struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lockedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *lockedLog) has(s string) bool { return strings.Contains(l.String(), s) }

// TestADeadDaemonSaysSoOnce: after a kill and ten minutes, and only then.
func TestADeadDaemonSaysSoOnce(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	m := &mortal{t: t, binary: built(t), page: free(t)}
	m.args = []string{"run", "-c", shedFile(t, m.page, free(t)), "--data", data}
	m.start()
	kept := reading(t, data)
	mark := func() (silence.Mark, bool) {
		var k silence.Mark
		b, ok, err := kept.Get(t.Context(), "silence/mark")
		if err != nil || ok && json.Unmarshal(b, &k) != nil {
			t.Fatalf("the mark is %s, %v", b, err)
		}
		return k, ok
	}
	after := func(last time.Time) {
		t.Helper()
		doortest.Until(t, "a mark", func() bool { k, ok := mark(); return ok && k.At.After(last) })
	}
	after(time.Time{})
	first, _ := mark()
	m.kill()
	// Ten minutes pass: what is on the disk is as much older.
	dead := first.At.Add(-10 * time.Minute)
	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(silence.Mark{At: dead})
	if err == nil {
		err = errors.Join(s.Update(t.Context(), func(tx *store.Tx) error { return tx.Put("silence/mark", b) }), s.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	started := time.Now()
	m.start()
	after(first.At)
	got := silences(t, kept)
	if len(got) != 1 || !strings.HasPrefix(got[0].Facts.Title, "Nothing was judged from ") || !got[0].Began.Equal(dead) || got[0].At.Before(started) || got[0].Subject != "daemon/fernhollow" {
		t.Fatalf("told %+v, want from %s", got, dead)
	}
	t.Log(got[0].Facts.Title, got[0].Facts.Text)
	// Killed again at once, and asked to stop: neither is worth a word.
	k, _ := mark()
	m.kill()
	m.start()
	if err := m.process.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := m.process.Wait(); err != nil {
		t.Errorf("asked to stop, the daemon ended with %v", err)
	}
	if got := silences(t, kept); len(got) != 1 {
		t.Errorf("told %d times, want once: %+v", len(got), got)
	}
	if k2, _ := mark(); k2.At.Before(k.At) {
		t.Errorf("the mark went back from %s to %s", k.At, k2.At)
	}
}
