package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/page"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/node"
	example "ashlamp/testdata/config"
)

// steppedEnv says that the test binary is to be the daemon, on a clock that moves as
// it is told over its standard input. Its value is a steppedOrders in JSON.
const steppedEnv = "ASHLAMP_TEST_STEPPED"

type steppedOrders struct {
	Data, Page, Broker string
	Start              time.Time
}

// stepped is the daemon as it is shipped but for its clock: "to TIME" moves that on,
// and is answered once everything up to then is judged.
func stepped(orders string, in io.Reader, out io.Writer) error {
	var o steppedOrders
	if err := json.Unmarshal([]byte(orders), &o); err != nil {
		return err
	}
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		return err
	}
	c.Listen, c.Broker = o.Page, config.Broker{Listen: o.Broker}
	c.Buses, c.Wired = nil, nil
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	now := clock.NewStepped(o.Start)
	a, err := app.New(ctx, app.Options{
		Config: c, Data: o.Data, Page: page.Files(), Clock: now, InStep: true,
		Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
	if err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		to, err := time.Parse(time.RFC3339Nano, strings.TrimPrefix(lines.Text(), "to "))
		if err != nil {
			return err
		}
		now.Set(to)
		if err := a.Settle(ctx); err != nil {
			return err
		}
		if _, err := fmt.Fprintln(out, lines.Text()); err != nil {
			return err
		}
	}
	cancel()
	return <-ended
}

// process is such a daemon, seen from outside: a process, its store, its broker and
// its page.
type process struct {
	t    *testing.T
	name string
	o    steppedOrders
	cmd  *exec.Cmd // nil while there is none
	in   io.WriteCloser
	out  *bufio.Scanner
	link *node.MQTT
}

func newProcess(t *testing.T, name string) *process {
	t.Helper()
	p := &process{t: t, name: name, o: steppedOrders{Data: t.TempDir(), Page: free(t), Broker: free(t)}}
	t.Cleanup(func() {
		if p.cmd != nil {
			_ = p.cmd.Process.Kill()
			_ = p.cmd.Wait()
		}
	})
	return p
}

// start starts it at a moment and returns once it has judged up to then.
func (p *process) start(at time.Time) {
	p.t.Helper()
	exe, err := os.Executable()
	if err != nil {
		p.t.Fatal(err)
	}
	p.o.Start = at
	orders, err := json.Marshal(p.o)
	if err != nil {
		p.t.Fatal(err)
	}
	c := exec.Command(exe)
	c.Env = append(os.Environ(), steppedEnv+"="+string(orders))
	c.Stderr = &logOf{t: p.t}
	if p.in, err = c.StdinPipe(); err != nil {
		p.t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	p.out = bufio.NewScanner(out)
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.cmd = c
	p.to(at)
}

// to moves its clock on; the same moment again waits until all that came is judged.
func (p *process) to(at time.Time) {
	p.t.Helper()
	order := "to " + at.Format(time.RFC3339Nano)
	if _, err := fmt.Fprintln(p.in, order); err != nil {
		p.t.Fatalf("%s: %v", p.name, err)
	}
	if !p.out.Scan() || p.out.Text() != order {
		p.t.Fatalf("%s was told %q and said %q, %v", p.name, order, p.out.Text(), p.out.Err())
	}
}

// dial connects the node; the link finds the way back by itself after a restart.
func (p *process) dial(ctx context.Context, engine string, now func() time.Time) {
	p.t.Helper()
	var err error
	if p.link, err = node.DialMQTT(ctx, node.MQTTConfig{
		Broker: "tcp://" + p.o.Broker, Shed: "fernhollow", Engine: engine, Node: "box", Now: now,
	}); err != nil {
		p.t.Fatal(err)
	}
}

// kill ends it as a power cut does.
func (p *process) kill() {
	p.t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		p.t.Fatalf("kill %s: %v", p.name, err)
	}
	if err := p.cmd.Wait(); p.cmd.ProcessState.Exited() {
		p.t.Fatalf("%s ended by itself: %v", p.name, err)
	}
	p.cmd = nil
}

// end lets it end in order.
func (p *process) end() {
	p.t.Helper()
	_ = p.in.Close()
	if err := p.cmd.Wait(); err != nil {
		p.t.Errorf("asked to stop, %s ended with %v", p.name, err)
	}
	p.cmd = nil
}

// state asks its page how an engine is.
func (p *process) state(engine string) message.State {
	p.t.Helper()
	var s message.State
	r, err := http.Get("http://" + p.o.Page + "/api/v1/engines/" + engine + "/state")
	if err != nil {
		p.t.Fatalf("%s: %v", p.name, err)
	}
	defer func() { _ = r.Body.Close() }()
	if err := json.NewDecoder(r.Body).Decode(&s); err != nil || r.StatusCode != http.StatusOK {
		p.t.Fatalf("%s told its state with %s, %v", p.name, r.Status, err)
	}
	return s
}

// post sends a person's word and returns the stamp; anything but want is an error.
func (p *process) post(path string, body any, want int) message.Stamp {
	p.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		p.t.Fatal(err)
	}
	r, err := http.Post("http://"+p.o.Page+"/api/v1"+path, "application/json", bytes.NewReader(b))
	if err != nil {
		p.t.Fatalf("%s: %v", p.name, err)
	}
	defer func() { _ = r.Body.Close() }()
	answer, err := io.ReadAll(r.Body)
	var s message.Stamp
	if err != nil || r.StatusCode != want || json.Unmarshal(answer, &s) != nil {
		p.t.Fatalf("%s answered %s %s with %s %s, %v; want %d", p.name, path, b, r.Status, answer, err, want)
	}
	return s
}

// say sends what a crew says.
func (p *process) say(engine string, ev telemetry.Event) message.Stamp {
	p.t.Helper()
	path := "/engines/" + engine + "/events"
	switch ev.Kind {
	case telemetry.Confirmed:
		return p.post("/engines/"+engine+"/confirmations", message.Confirmation{Confirm: ev.Subject, By: ev.By}, http.StatusCreated)
	case telemetry.DisposalBegun:
		return p.post(path, message.Word{Disposal: "begin", LayUp: ev.LayUp, By: ev.By}, http.StatusCreated)
	case telemetry.DisposalEnded:
		return p.post(path, message.Word{Disposal: "end", By: ev.By}, http.StatusCreated)
	}
	p.t.Fatalf("the crew said %s, which this test does not know", ev.Kind)
	return message.Stamp{}
}

// book reads an engine's book and proves its chain. Of a daemon that was killed a
// copy is read, so that the daemon finds its files as it left them.
func (p *process) book(engine string) []store.BookEntry {
	p.t.Helper()
	data, o := p.o.Data, store.ReadOnly()
	if p.cmd == nil {
		data = p.t.TempDir()
		if err := os.CopyFS(data, os.DirFS(p.o.Data)); err != nil {
			p.t.Fatal(err)
		}
		o = store.CheckFor(time.Second)
	}
	s, err := store.Open(p.t.Context(), data+"/ashlamp.db", o)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if _, err := s.VerifyBook(p.t.Context(), engine); err != nil {
		p.t.Errorf("%s: the book does not verify: %v", p.name, err)
	}
	var out []store.BookEntry
	for e, err := range s.Book(p.t.Context(), engine, time.Time{}, time.Time{}) {
		if err != nil {
			p.t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}
