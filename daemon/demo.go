package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/stage"
	"ashlamp/dashboard/page"
	example "ashlamp/testdata/config"
)

// demo runs the example shed with simulated engines: broker, daemon and page in
// one process, nothing else needed.
func demo(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	f := flags("demo")
	speed := f.Float64("speed", 1, "how many seconds of the evening pass in one")
	listen := f.String("listen", config.DefaultListen, "address of the page")
	data := f.String("data", "", "folder of the store; a passing one if not given")
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
	c, err := config.Parse("fernhollow.toml", example.Fernhollow)
	if err != nil {
		return err
	}
	c.Listen = *listen
	// Any free port: a demonstration must not take the place of a real broker.
	c.Broker = config.Broker{Listen: "127.0.0.1:0"}
	if *data == "" {
		dir, err := os.MkdirTemp("", "ashlamp-demo-")
		if err != nil {
			return fmt.Errorf("make a passing data folder: %w", err)
		}
		defer os.RemoveAll(dir)
		*data = dir
	}
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	engines := stage.Example(*seed, *fault)
	start, err := stage.Start(ctx, *data, time.Now(), c.Shed.Zone, engines...)
	if err != nil {
		return err
	}
	step := clock.NewStepped(start)
	s, err := stage.New(c, stage.Options{Clock: step, Speed: *speed, Engines: engines, Log: log})
	if err != nil {
		return err
	}
	a, err := app.New(ctx, app.Options{
		Config: c, Data: *data, Page: page.Files(), Clock: step, Log: log, Buses: s.Buses(), Random: random(), InStep: true,
	})
	if err != nil {
		return err
	}
	announce(stdout, a.Addr(), a.Broker(), c)
	fmt.Fprintf(stdout, "It shows simulated engines, at %g times the pace of life.\n", *speed)

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		defer cancel() // the engines do not play on to a daemon that has stopped
		ended <- a.Run(ctx)
	}()
	err = s.Run(ctx, a)
	if err == nil {
		fmt.Fprintln(stdout, "Both engines are housed and the night is over; the clock stands. Start again for another evening.")
		return <-ended
	}
	cancel()
	stopped := <-ended
	if errors.Is(err, context.Canceled) {
		return stopped
	}
	return errors.Join(err, stopped)
}
