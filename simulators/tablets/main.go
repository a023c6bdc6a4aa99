// Command tablets measures a shed full of pages: one daemon that is told of sixteen
// channels ten times a second over MQTT, forty-nine open pages without a screen, and a
// real one in a browser. It prints what that costs the daemon and how long a sample
// takes from its publishing until the browser has drawn it, beside what the same
// machine does in the same run with nothing of ours between: a bare WebSocket echo,
// and a bare page that writes down what it is sent.
//
// With -serve it is only the shed, for who wants to look at a page under that load: it
// prints the page's address and goes on until its standard input ends.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
)

const (
	// tick is the time between two changes of all channels.
	tick = 100 * time.Millisecond
	// settle is how long the pages have before it counts.
	settle = 5 * time.Second
)

func main() {
	bin := flag.String("bin", "bin/ashlamp", "the daemon")
	page := flag.String("page", "dashboard/page", "the folder of the page's own tools, for the browser")
	pages := flag.Int("pages", 49, "pages without a screen")
	span := flag.Duration("span", 40*time.Second, "how long it counts")
	serve := flag.Bool("serve", false, "only the shed: print the page's address, and go on until the input ends")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, options{*bin, *page, *pages, *span, *serve}, os.Stdin, os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "tablets:", err)
		os.Exit(1)
	}
}

type options struct {
	bin, page string
	pages     int
	span      time.Duration
	serve     bool
}

func run(ctx context.Context, o options, in io.Reader, out io.Writer) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, err := openShed(ctx, o.bin)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	if o.serve {
		fmt.Fprintf(out, "http://%s/\n", s.page)
		go func() {
			_, _ = io.Copy(io.Discard, in) // its end is all that is waited for
			cancel()
		}()
		_, err := s.publish(ctx, 0)
		return err
	}
	if most := time.Duration(falls) * tick; o.span+settle > most {
		return fmt.Errorf("the pressure falls for %s only; give a span of at most %s", most, most-settle)
	}
	return measure(ctx, s, o, out)
}

func measure(ctx context.Context, s *shed, o options, out io.Writer) error {
	bare, err := bareEcho(ctx, o.pages+1, o.span/4)
	if err != nil {
		return fmt.Errorf("bare echo: %w", err)
	}
	fmt.Fprintf(out, "tablets: raw: a bare WebSocket echo over loopback, %d connections, 10/s each: p50 %s p99 %s\n", o.pages+1, quantile(bare, 0.50), quantile(bare, 0.99))
	drawn, err := barePage(ctx, o.page, o.span/2)
	if err != nil {
		return fmt.Errorf("bare page: %w", err)
	}
	fmt.Fprintf(out, "tablets: raw: a bare page that writes down what it is sent 10/s, drawn in the browser: p50 %s p99 %s\n", quantile(drawn, 0.50), quantile(drawn, 0.99))

	clients, err := openClients(ctx, s.page, o.pages)
	if err != nil {
		return err
	}
	defer clients.close()
	browser, err := openBrowser(ctx, o.page, "http://"+s.page+"/", ".fall .figure", o.span+2*settle)
	if err != nil {
		return err
	}
	defer browser.close()
	counted, end := context.WithTimeout(ctx, settle+o.span)
	defer end()
	from := time.Now().Add(settle)
	cpu := make(chan used, 1)
	go func() { cpu <- s.cpu(counted, from) }()
	sent, err := s.publish(counted, falls)
	if err != nil {
		return err
	}
	load := <-cpu
	draws, err := browser.end()
	if err != nil {
		return err
	}
	sent = after(sent, from)
	heard, every := clients.delays(sent), delays(sent, draws)
	if len(every) == 0 {
		return errors.New("the browser drew none of the figures that were published; look at the page with -serve")
	}
	fmt.Fprintf(out, "tablets: %d pages and a browser, %d channels at %.0f changes/s: the daemon takes %.1f %% of one processor, %.1f MB\n", o.pages, channels, 1/tick.Seconds(), load.percent, s.rss())
	fmt.Fprintf(out, "tablets: sample published to heard by a page: p50 %s p99 %s over %d\n", quantile(heard, 0.50), quantile(heard, 0.99), len(heard))
	fmt.Fprintf(out, "tablets: sample published to drawn in the browser, it or a newer one: p50 %s p99 %s over %d, %d drawn (the page draws at most four times a second)\n",
		quantile(every, 0.50), quantile(every, 0.99), len(every), len(draws))
	return nil
}
