package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

// built compiles the daemon as it is shipped.
func built(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ashlamp")
	out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	if err != nil {
		t.Fatalf("build the daemon: %v\n%s", err, out)
	}
	return path
}

// free returns a loopback address at which nobody listens.
func free(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}

// shedFile writes the example's configuration with other addresses and no bus.
func shedFile(t *testing.T, page, broker string) string {
	t.Helper()
	text := fmt.Sprintf(`
[shed]
id = "fernhollow"
timezone = "Europe/London"
altitude_m = 120
[http]
listen = %q
[mqtt]
listen = %q
`, page, broker)
	for _, e := range []string{"quillet", "marrow"} {
		text += fmt.Sprintf(`
[[engine]]
id = %q
working_pressure_bar = 10
boiler_volume_l = 400
[[engine.channel]]
id = "boiler.pressure"
range = ["-1 bar", "16 bar"]
[[engine.channel]]
id = "firebox"
`, e)
	}
	path := filepath.Join(t.TempDir(), "shed.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// publisher sends a sample every 2 ms with QoS 1 and keeps its own ledger. After a
// break it sends again all that was not acknowledged.
//
// It opens each connection by a client of its own, with the session of its name: the
// library's resumption would acknowledge by tokens that nobody waits for.
type publisher struct {
	broker, engine string
	channel        telemetry.Channel
	begun          time.Time

	made  int
	acked []bool
	// broken is how many connections ended under it.
	broken int
}

const (
	perSecond = 500
	// open is how many messages it leaves unacknowledged.
	open = 200
)

// sample is the n-th: a time and a value of its own.
func (p *publisher) at(n int) time.Time {
	return p.begun.Add(time.Duration(n) * time.Second / perSecond)
}

func (p *publisher) value(n int) float64 { return float64(n % 1000) }

func (p *publisher) payload(n int) []byte {
	u, _ := telemetry.UnitOf(p.channel)
	b, err := json.Marshal([]map[string]any{{"n": p.channel, "u": u, "v": p.value(n), "t": json.Number(fmt.Sprintf("%.6f", float64(p.at(n).UnixMicro())/1e6))}})
	if err != nil {
		panic(err)
	}
	return b
}

// run publishes what is due until stop is closed, and then what is not acknowledged.
func (p *publisher) run(ctx context.Context, stop <-chan struct{}) error {
	var unacked []int
	for {
		done, err := p.connection(ctx, stop, &unacked)
		switch {
		case ctx.Err() != nil:
			return fmt.Errorf("publisher of %s: %w with %d not acknowledged", p.engine, ctx.Err(), len(unacked))
		case done:
			return nil
		case err != nil:
			p.broken++
		}
		retry := time.NewTimer(10 * time.Millisecond)
		select {
		case <-retry.C:
		case <-ctx.Done():
		}
	}
}

type sent struct {
	n     int
	token paho.Token
}

func (p *publisher) connection(ctx context.Context, stop <-chan struct{}, unacked *[]int) (done bool, _ error) {
	o := paho.NewClientOptions().AddBroker("tcp://" + p.broker).SetClientID("load-" + p.engine).
		SetCleanSession(false).SetAutoReconnect(false).SetConnectTimeout(time.Second).SetWriteTimeout(time.Second)
	c := paho.NewClient(o)
	defer c.Disconnect(0)
	if err := settled(ctx, c.Connect()); err != nil {
		return false, nil // the daemon is not up again
	}
	again := *unacked
	*unacked = nil
	var flying []sent
	// Whatever ends the connection, what was not acknowledged over it is kept.
	defer func() {
		for _, f := range flying {
			select {
			case <-f.token.Done():
				if f.token.Error() == nil {
					p.acked[f.n] = true
					continue
				}
			default:
			}
			*unacked = append(*unacked, f.n)
		}
		*unacked = append(*unacked, again...)
	}()
	ended := false
	for {
		select {
		case <-stop:
			ended = true
		default:
		}
		if ended && len(again) == 0 && len(flying) == 0 {
			return true, nil
		}
		switch {
		case len(flying) < open && len(again) > 0:
			flying = append(flying, sent{again[0], p.publish(c, again[0])})
			again = again[1:]
			continue
		case len(flying) < open && !ended && !p.at(p.made).After(time.Now()):
			flying = append(flying, sent{p.made, p.publish(c, p.made)})
			p.acked = append(p.acked, false)
			p.made++
			continue
		}
		wait := time.Millisecond * 20
		if len(flying) < open && !ended {
			wait = time.Until(p.at(p.made))
		}
		timer := time.NewTimer(wait)
		if len(flying) == 0 {
			select {
			case <-timer.C:
			case <-ctx.Done():
				return false, ctx.Err()
			}
			continue
		}
		select {
		case <-flying[0].token.Done():
			timer.Stop()
			if err := flying[0].token.Error(); err != nil {
				return false, err
			}
			p.acked[flying[0].n] = true
			flying = flying[1:]
		case <-timer.C:
			if !c.IsConnectionOpen() {
				return false, paho.ErrNotConnected
			}
		case <-ctx.Done():
			timer.Stop()
			return false, ctx.Err()
		}
	}
}

func (p *publisher) publish(c paho.Client, n int) paho.Token {
	return c.Publish("sheds/fernhollow/engines/"+p.engine+"/samples", 1, false, p.payload(n))
}

func settled(ctx context.Context, t paho.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// TestKilledDaemonLosesNothing kills the real daemon 20 times, at moments drawn at
// random, while two publishers send 500 samples a second each: what was acknowledged
// is in the store exactly once.
func TestKilledDaemonLosesNothing(t *testing.T) {
	const kills = 20
	binary, data, broker := built(t), t.TempDir(), free(t)
	file := shedFile(t, "127.0.0.1:0", broker)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))

	start := func() *exec.Cmd {
		c := exec.Command(binary, "run", "-c", file, "--data", data)
		c.Stderr = &logOf{t: t}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		return c
	}
	daemon := start()
	t.Cleanup(func() {
		if daemon.ProcessState == nil {
			_ = daemon.Process.Kill()
			_ = daemon.Wait()
		}
	})
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	stop := make(chan struct{})
	begun := time.Now().Truncate(time.Millisecond)
	publishers := []*publisher{
		{broker: broker, engine: "quillet", channel: telemetry.BoilerPressure, begun: begun},
		{broker: broker, engine: "marrow", channel: telemetry.Firebox, begun: begun},
	}
	errs := make(chan error, len(publishers))
	var all sync.WaitGroup
	for _, p := range publishers {
		all.Go(func() { errs <- p.run(ctx, stop) })
	}
	for range kills {
		// Some fall into the start, most into the work.
		moment := time.NewTimer(time.Duration(50+random.IntN(1500)) * time.Millisecond)
		<-moment.C
		if err := daemon.Process.Signal(syscall.SIGKILL); err != nil {
			t.Fatalf("kill: %v", err)
		}
		if err := daemon.Wait(); daemon.ProcessState.Exited() {
			t.Fatalf("the daemon ended by itself: %v", err)
		}
		daemon = start()
	}
	close(stop)
	all.Wait()
	for range publishers {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
	took := time.Since(begun)
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("asked to stop, the daemon ended with %v", err)
	}

	s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	acked, held := 0, 0
	for _, p := range publishers {
		count := make([]int, p.made)
		for x, err := range s.Samples(t.Context(), p.engine, p.channel, time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			n := int(x.At.Sub(p.begun).Round(time.Second/perSecond) / (time.Second / perSecond))
			if n < 0 || n >= p.made || !x.At.Equal(p.at(n)) || x.Value != p.value(n) {
				t.Fatalf("%s: %+v is in the store and was never sent", p.engine, x)
			}
			count[n]++
			held++
		}
		missing, doubled := 0, 0
		for n, k := range count {
			switch {
			case p.acked[n] && k == 0:
				missing++
			case k > 1:
				doubled++
			}
			if p.acked[n] {
				acked++
			}
		}
		if missing > 0 || doubled > 0 {
			t.Errorf("%s: of %d acknowledged samples %d are missing, %d are there more than once", p.engine, p.made, missing, doubled)
		}
		if p.broken == 0 {
			t.Errorf("%s: no connection ended under the publisher, so the kills hit nothing", p.engine)
		}
		t.Logf("%s: %d sent, %d connections broken", p.engine, p.made, p.broken)
	}
	t.Logf("%d kills in %s: %d samples acknowledged, %d in the store, none missing, none doubled", kills, took.Round(100*time.Millisecond), acked, held)
	if acked < perSecond {
		t.Errorf("only %d samples were acknowledged; the daemon was hardly up", acked)
	}
}

// logOf passes on what a daemon says of errors; the rest is not of interest.
type logOf struct{ t testing.TB }

func (l *logOf) Write(b []byte) (int, error) {
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		if strings.Contains(line, "level=ERROR") || !strings.Contains(line, "level=") {
			l.t.Log(line)
		}
	}
	return len(b), nil
}
