package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/config/edit"
	"ashlamp/daemon/setup"
	"ashlamp/daemon/stage"
	"ashlamp/dashboard/page"
	"ashlamp/ingest"
	example "ashlamp/testdata/config"
)

// demoFile is the demonstration's configuration, in its data folder.
const demoFile = "shed.toml"

// demo runs the example shed with simulated engines: broker, daemon and page in
// one process, nothing else needed. It can be set up anew from its page as any shed.
func demo(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	f := flags("demo")
	speed := f.Float64("speed", 1, "how many seconds of the evening pass in one")
	listen := f.String("listen", config.DefaultListen, "address of the page")
	data := f.String("data", "", "folder of the store and of the configuration; a passing one if not given")
	seed := f.Uint64("seed", 1, "the same seed gives the same evening")
	fault := f.String("fault", "", "a fault to happen during the evening")
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case f.NArg() > 0:
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	case !(*speed >= 0.1 && *speed <= 3600):
		return &wrongUse{fmt.Sprintf("--speed %g is outside 0.1 to 3600", *speed)}
	}
	if err := stage.CheckFault(*fault); err != nil {
		return &wrongUse{err.Error()}
	}
	if *data == "" {
		dir, err := os.MkdirTemp("", "ashlamp-demo-")
		if err != nil {
			return fmt.Errorf("make a passing data folder: %w", err)
		}
		defer os.RemoveAll(dir)
		*data = dir
	}
	path := filepath.Join(*data, demoFile)
	named := false
	f.Visit(func(f *flag.Flag) { named = named || f.Name == "listen" })
	c, err := demoConfig(path, *listen, named)
	if err != nil {
		return err
	}
	engines := stage.Demonstration(*seed, *fault)
	start, err := stage.Start(ctx, *data, time.Now(), c.Shed.Zone, engines...)
	if err != nil {
		return err
	}
	log := slog.New(&quieter{slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}), engines})
	step := clock.NewStepped(start)
	s, err := stage.New(c, stage.Options{Clock: step, Speed: *speed, Engines: engines, Log: log})
	if err != nil {
		return err
	}
	told := ""
	up, err := setup.Open(setup.Options{
		Path: path, Data: *data, Page: page.Files(), Clock: step, Log: log, Random: random,
		OpenBuses: s.OpenBuses, Machine: setup.Machine{Buses: s.BusNames, Open: s.OpenBus},
		InStep: true, Runs: s.Face,
		Announce: func(page, broker net.Addr, c *config.Config) {
			// The configuration of a demonstration can always be run: c is there.
			if where := fmt.Sprint(page, broker); where != told {
				first := told == ""
				told = where
				announce(stdout, page, broker, *c)
				if first {
					fmt.Fprintf(stdout, "It shows simulated engines, at %g times the pace of life.\n", *speed)
					invite(stdout, page, *c, engines)
				}
			}
		},
	})
	if err != nil {
		return err
	}

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		defer cancel() // the engines do not play on to a daemon that has stopped
		ended <- up.Run(ctx)
	}()
	err = s.Play(ctx)
	if err == nil {
		fmt.Fprintln(stdout, farewell(s.Names()))
		return <-ended
	}
	cancel()
	stopped := <-ended
	if errors.Is(err, context.Canceled) {
		return stopped
	}
	return errors.Join(err, stopped)
}

// demoConfig returns the configuration of a demonstration, which is in its folder: the
// example's where there is none. The page is at listen where there was none or it was
// named by the person; the broker is at a port that is free, for a demonstration must not
// take the place of a real one.
func demoConfig(path, listen string, named bool) (config.Config, error) {
	none := config.Config{}
	have, err := os.ReadFile(path)
	text := have
	if errors.Is(err, fs.ErrNotExist) {
		text, named, err = bytes.ReplaceAll(example.Fernhollow, []byte("fernhollow.toml"), []byte(demoFile)), true, nil
	}
	if err != nil {
		return none, fmt.Errorf("read the demonstration's configuration: %w", err)
	}
	c, err := config.Parse(path, text)
	if err != nil {
		return none, err
	}
	d, err := edit.Parse(text)
	if err != nil {
		return none, fmt.Errorf("%s: %w", path, err)
	}
	if named {
		if err := d.Set("http.listen", edit.Text(listen)); err != nil {
			return none, fmt.Errorf("write the page's address into %s: %w", path, err)
		}
	}
	if c.Broker.URL == "" && (have == nil || !isFree(c.Broker.Listen)) {
		port, err := freePort()
		if err != nil {
			return none, err
		}
		if err := d.Set("mqtt.listen", edit.Text(port)); err != nil {
			return none, fmt.Errorf("write the broker's address into %s: %w", path, err)
		}
	}
	if bytes.Equal(have, d.Text()) {
		return c, nil
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return none, fmt.Errorf("make the data folder: %w; name one in a place where the demonstration may write", err)
	}
	if err := setup.Put(path, d.Text()); err != nil {
		return none, err
	}
	return config.Parse(path, d.Text())
}

// freePort returns a loopback address at which nobody listens.
func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("find a port for the broker: %w", err)
	}
	return l.Addr().String(), l.Close()
}

func isFree(address string) bool {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return false
	}
	return l.Close() == nil
}

// waiting returns the engines that stand and that a configuration does not have.
func waiting(c config.Config, engines []stage.Engine) []stage.Engine {
	var out []stage.Engine
	for _, e := range engines {
		known := !e.Stands
		for _, have := range c.Engines {
			known = known || have.ID == e.World.ID
		}
		if !known {
			out = append(out, e)
		}
	}
	return out
}

// invite says what can be set up.
func invite(w io.Writer, page net.Addr, c config.Config, engines []stage.Engine) {
	for _, e := range waiting(c, engines) {
		litres, bar := e.World.Boiler.Volume*1000, e.World.Plan.Working/1e5
		fmt.Fprintf(w, "A third engine stands in steam and is not set up: %q, %g bar, %g l, two tanks, heard over MQTT. Set it up at http://%s/#/set-up and its crew puts it away.\n",
			e.World.ID, bar, litres, page)
	}
}

// farewell is said when the evening is over.
func farewell(home, standing []string) string {
	text := listed(home) + " are housed and the night is over; the clock stands. Start again for another evening."
	if len(home) == 1 {
		text = home[0] + " is housed and the night is over; the clock stands. Start again for another evening."
	}
	if len(standing) > 0 {
		text += " " + listed(standing) + " still stands in steam: nobody has set it up."
	}
	return text
}

func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// quieter leaves out what the demonstration itself brings about: that an engine which
// stands there to be set up is not set up yet, once a minute of its fast clock.
type quieter struct {
	slog.Handler
	engines []stage.Engine
}

// Handle implements [slog.Handler].
func (q *quieter) Handle(ctx context.Context, r slog.Record) error {
	unknown, ours := false, false
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case "kind":
			unknown = a.Value.String() == ingest.UnknownEngine
		case "topic":
			for _, e := range q.engines {
				ours = ours || e.Stands && strings.HasSuffix(a.Value.String(), "/engines/"+e.World.ID+"/samples")
			}
		}
		return true
	})
	if unknown && ours {
		return nil
	}
	return q.Handler.Handle(ctx, r)
}

// WithAttrs implements [slog.Handler].
func (q *quieter) WithAttrs(as []slog.Attr) slog.Handler {
	return &quieter{q.Handler.WithAttrs(as), q.engines}
}

// WithGroup implements [slog.Handler].
func (q *quieter) WithGroup(name string) slog.Handler {
	return &quieter{q.Handler.WithGroup(name), q.engines}
}
