package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/node"
)

// The evening that is told: it is no engine's, only as long and as lively as one. The
// pressure falls by one hundredth of a bar a tick, which is what the page shows, so
// that each sample has a figure of its own.
const (
	engineID = "quillet"
	shedID   = "bench"
	pastStep = 10 * time.Second
	past     = 90 * time.Minute
	// firstCentibar down to lastCentibar, then it stays there.
	firstCentibar = 950
	lastCentibar  = 30
	falls         = firstCentibar - lastCentibar
	pascalPerBar  = 1e5
	patience      = 10 * time.Second
)

// centibar is the pressure at a tick.
func centibar(n int) int { return max(lastCentibar, firstCentibar-n) }

// figure is what the page shows of it.
func figure(n int) string { return fmt.Sprintf("%.2f", float64(centibar(n))/100) }

const (
	engineChannels = 12
	airChannels    = 4
	channels       = engineChannels + airChannels
)

// ofEngine are the engine's channels at a tick; in the past n is negative. Each is
// another at each tick.
func ofEngine(n int, at time.Time) []telemetry.Sample {
	wave := func(every float64) float64 { return math.Sin(2 * math.Pi * float64(n) / every) }
	fall := float64(firstCentibar-centibar(n)) / falls // 0 to 1
	good := func(c telemetry.Channel, v float64) telemetry.Sample {
		return telemetry.Sample{Channel: c, At: at, Value: v, Quality: telemetry.Good}
	}
	return []telemetry.Sample{
		good(telemetry.BoilerPressure, float64(min(firstCentibar, centibar(n)))/100*pascalPerBar),
		good("boiler.shell.top", 182-70*fall+0.4*wave(70)),
		good("boiler.shell.bottom", 179-72*fall+0.4*wave(50)),
		good("boiler.level", 0.55-0.5*fall+0.01*wave(30)),
		good("boiler.humidity", 60+wave(90)),
		good("firebox", 310-90*fall+wave(110)),
		good("smokebox", 160-40*fall+wave(130)),
		good("blowdown.pipe", 118+8*wave(40)),
		good("tank.left.level", 0.41+0.004*wave(60)),
		good("tank.right.level", 0.40+0.004*wave(80)),
		good("cylinder.left", 120-30*fall+wave(95)),
		good("cylinder.right", 118-30*fall+wave(85)),
	}
}

// ofAir are the shed's channels at a tick.
func ofAir(n int, at time.Time) []telemetry.Sample {
	wave := func(every float64) float64 { return math.Sin(2 * math.Pi * float64(n) / every) }
	good := func(c telemetry.Channel, v float64) telemetry.Sample {
		return telemetry.Sample{Channel: c, At: at, Value: v, Quality: telemetry.Good}
	}
	return []telemetry.Sample{
		good("ambient.temperature", 11+0.2*wave(600)),
		good("ambient.humidity", 78+wave(500)),
		good("ambient.pressure", 100_400+20*wave(900)),
		good("ambient.co", 4e-6+1e-6*wave(300)),
	}
}

const configuration = `[shed]
id = %q
name = "Fernhollow shed"
timezone = "Europe/London"
people = ["R. Penhalow", "T. Oxley"]
[http]
listen = %q
[mqtt]
listen = %q
[[engine]]
id = %q
name = "Quillet"
working_pressure_bar = 10
boiler_volume_l = 400
tanks = 2
blow_down_pipe = true
lay_up = "dry"
emptied_by = "empty"
[engine.limits]
blow_down_min_bar = 0.5
blow_down_max_bar = 3.1
blow_down_bore_mm = 28
`

// shed is a daemon, told of one engine.
type shed struct {
	cmd          *exec.Cmd
	dir          string
	page, broker string
	mqtt         paho.Client
}

// openShed starts a daemon and tells it of ninety minutes that are over.
func openShed(ctx context.Context, bin string) (s *shed, err error) {
	s = &shed{}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.close())
		}
	}()
	if s.dir, err = os.MkdirTemp("", "ashlamp-tablets-"); err != nil {
		return s, err
	}
	if s.page, err = free(); err != nil {
		return s, err
	}
	if s.broker, err = free(); err != nil {
		return s, err
	}
	config := fmt.Appendf(nil, configuration, shedID, s.page, s.broker, engineID)
	for _, sample := range ofEngine(0, time.Time{}) {
		config = fmt.Appendf(config, "[[engine.channel]]\nid = %q\n", sample.Channel)
	}
	path := filepath.Join(s.dir, "shed.toml")
	if err = os.WriteFile(path, config, 0o600); err != nil {
		return s, err
	}
	var said bytes.Buffer
	s.cmd = exec.Command(bin, "run", "-c", path, "--data", filepath.Join(s.dir, "data"))
	s.cmd.Stdout, s.cmd.Stderr = &said, &said
	if err = s.cmd.Start(); err != nil {
		return s, fmt.Errorf("start the daemon: %w; build it with make build, or say -bin", err)
	}
	if err = s.up(ctx); err != nil {
		return s, fmt.Errorf("%w; it said: %s", err, &said)
	}
	s.mqtt = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + s.broker).SetClientID("tablets"))
	if err = done(s.mqtt.Connect()); err != nil {
		return s, fmt.Errorf("connect to the daemon's broker: %w", err)
	}
	return s, s.tellPast(ctx)
}

func (s *shed) up(ctx context.Context) error {
	until := time.Now().Add(patience)
	for time.Now().Before(until) && ctx.Err() == nil {
		r, err := http.Get("http://" + s.page + "/healthz")
		if err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return nil
			}
		}
		time.Sleep(50 * time.Millisecond) // until another process listens
	}
	return fmt.Errorf("the daemon did not come up within %s", patience)
}

func (s *shed) tellPast(ctx context.Context) error {
	now := time.Now().UTC()
	for before := past; before > 0 && ctx.Err() == nil; before -= pastStep {
		n, at := -int(before/tick), now.Add(-before)
		if err := s.tell(n, at); err != nil {
			return err
		}
	}
	body := strings.NewReader(`{"disposal":"begin","lay_up":"dry","by":"R. Penhalow"}`)
	r, err := http.Post("http://"+s.page+"/api/v1/engines/"+engineID+"/events", "application/json", body)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusCreated {
		return fmt.Errorf("the daemon refused that a disposal begins: %s", r.Status)
	}
	return nil
}

// tell publishes all channels and waits until the daemon has them.
func (s *shed) tell(n int, at time.Time) error {
	engine := s.mqtt.Publish("sheds/"+shedID+"/engines/"+engineID+"/samples", 1, false, node.AppendSenML(nil, ofEngine(n, at)))
	air := s.mqtt.Publish("sheds/"+shedID+"/samples", 1, false, node.AppendSenML(nil, ofAir(n, at)))
	return errors.Join(done(engine), done(air))
}

func done(t paho.Token) error {
	if !t.WaitTimeout(patience) {
		return fmt.Errorf("the broker did not answer within %s", patience)
	}
	return t.Error()
}

// publish tells a change each tick, most of them or until ctx ends where most is 0,
// and returns what was published of the pressure.
func (s *shed) publish(ctx context.Context, most int) ([]sample, error) {
	var sent []sample
	ticks := time.NewTicker(tick)
	defer ticks.Stop()
	for n := 0; most == 0 || n < most; n++ {
		select {
		case <-ctx.Done():
			return sent, nil
		case <-ticks.C:
		}
		at := time.Now().UTC()
		if most > 0 {
			sent = append(sent, sample{figure(n), at})
		}
		if err := s.tell(n, at); err != nil {
			return sent, err
		}
	}
	return sent, nil
}

// used is what a daemon took of a processor.
type used struct{ percent float64 }

// ticksPerSecond is the unit of /proc/PID/stat, USER_HZ: 100 on every Linux that Go
// runs on (proc(5)).
const ticksPerSecond = 100

// cpu is what the daemon takes from a time on until ctx ends, all threads together.
func (s *shed) cpu(ctx context.Context, from time.Time) used {
	begin := time.NewTimer(time.Until(from))
	defer begin.Stop()
	select {
	case <-ctx.Done():
		return used{math.NaN()}
	case <-begin.C:
	}
	before, at := s.jiffies(), time.Now()
	<-ctx.Done()
	return used{100 * (s.jiffies() - before) / ticksPerSecond / time.Since(at).Seconds()}
}

// jiffies is user and system time, NaN where it cannot be read: fields 14 and 15 of
// proc_pid_stat(5), counted from behind the name, which may hold spaces.
func (s *shed) jiffies() float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", s.cmd.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	_, rest, _ := strings.Cut(string(b), ") ")
	fields := strings.Fields(rest)
	if len(fields) < 13 {
		return math.NaN()
	}
	var user, system float64
	if _, err := fmt.Sscan(fields[11]+" "+fields[12], &user, &system); err != nil {
		return math.NaN()
	}
	return user + system
}

// rss is the daemon's resident memory in megabyte, NaN where it cannot be read.
func (s *shed) rss() float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	for line := range strings.Lines(string(b)) {
		var kb float64
		if _, err := fmt.Sscanf(line, "VmRSS: %f kB", &kb); err == nil {
			return kb / 1024
		}
	}
	return math.NaN()
}

func (s *shed) close() error {
	if s.mqtt != nil {
		s.mqtt.Disconnect(100)
	}
	var err error
	if s.cmd != nil && s.cmd.Process != nil {
		if err = s.cmd.Process.Signal(os.Interrupt); err == nil {
			err = s.cmd.Wait()
		}
	}
	if s.dir != "" {
		err = errors.Join(err, os.RemoveAll(s.dir))
	}
	return err
}

// free is an address on loopback where nobody listens now.
func free() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	return l.Addr().String(), nil
}
