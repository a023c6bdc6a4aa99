package main

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/setup"
	"ashlamp/dashboard/page"
	"ashlamp/hardware/board"
)

// run is the daemon; without a configuration it opens set-up, and goes on from there.
func run(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	f := flags("run")
	path := f.String("c", "shed.toml", "configuration file")
	data := f.String("data", "data", "folder of the store")
	listen := f.String("listen", "", "address of set-up where there is no configuration; on loopback")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	if *listen != "" && !loopback(*listen) {
		return &wrongUse{fmt.Sprintf("--listen %s is not on loopback; whoever reaches set-up can write the configuration, so open it at 127.0.0.1 and choose the page's address there", *listen)}
	}
	s, err := setup.Open(setup.Options{
		Path: *path, Data: *data, Listen: *listen, Page: page.Files(), Clock: clock.Board{}, Log: logger(stderr),
		Random: random, OpenBuses: openBuses, Machine: setup.Board(),
		Announce: func(page, broker net.Addr, c *config.Config) {
			if c == nil {
				fmt.Fprintf(stdout, "There is no configuration at %s: set-up is open at http://%s/#/set-up\n", *path, page)
				if broker != nil {
					fmt.Fprintf(stdout, "Nodes are heard at %s\n", broker)
				}
				return
			}
			announce(stdout, page, broker, *c)
		},
	})
	if err != nil {
		return err
	}
	return s.Run(ctx)
}

// loopback reports whether an address is only reached from this machine.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
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

// announce says where to go; broker is nil where there is one outside.
func announce(w io.Writer, page, broker net.Addr, c config.Config) {
	fmt.Fprintf(w, "%s: the page is at http://%s/\n", c.Shed.Name, page)
	if broker != nil {
		fmt.Fprintf(w, "%s: nodes may speak MQTT to %s\n", c.Shed.Name, broker)
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
