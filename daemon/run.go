package main

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/dashboard/page"
	"ashlamp/hardware/board"
)

// run is the daemon.
func run(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	f := flags("run")
	path := f.String("c", "shed.toml", "configuration file")
	data := f.String("data", "data", "folder of the store")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	c, err := readConfig(*path)
	if err != nil {
		return err
	}
	buses, closeBuses, err := openBuses(c)
	if err != nil {
		return err
	}
	defer closeBuses()
	a, err := app.New(ctx, app.Options{
		Config: c, Data: *data, Page: page.Files(), Clock: clock.Board{}, Log: logger(stderr), Buses: buses, Random: random(),
	})
	if err != nil {
		return err
	}
	announce(stdout, a, c)
	return a.Run(ctx)
}

// openBuses opens the buses that channels are wired to.
func openBuses(c config.Config) (map[string]app.Bus, func(), error) {
	open := map[string]app.Bus{}
	var closers []io.Closer
	closeAll := func() {
		for _, c := range closers {
			_ = c.Close() // nothing is written: a bus has nothing to lose
		}
	}
	for _, b := range c.Buses {
		used := false
		for _, w := range c.Wired {
			used = used || w.Bus == b.Name
		}
		if !used {
			continue
		}
		bus, err := board.Open(b.Device)
		if err != nil {
			closeAll()
			return nil, nil, err
		}
		closers = append(closers, bus)
		open[b.Name] = app.Bus{I2C: bus, Clock: func() app.PollClock { return clock.Waiter{Clock: clock.Board{}} }}
	}
	return open, closeAll, nil
}

func announce(w io.Writer, a *app.App, c config.Config) {
	fmt.Fprintf(w, "%s: the page is at http://%s/\n", c.Shed.Name, a.Addr())
	if b := a.Broker(); b != nil {
		fmt.Fprintf(w, "%s: nodes may speak MQTT to %s\n", c.Shed.Name, b)
	}
	fmt.Fprintln(w, "Advice only: it operates nothing and holds nothing shut. The competent person and local rules come first.")
}

func logger(w io.Writer) *slog.Logger {
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: slog.LevelInfo}))
}

func random() uint32 {
	var b [4]byte
	if _, err := rand.Read(b[:]); err != nil {
		return 0 // two runs begun in the same second might then number alike
	}
	return binary.LittleEndian.Uint32(b[:])
}
