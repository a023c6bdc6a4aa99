// Command load measures the daemon end to end: samples a second from MQTT at QoS 1
// to disk and page, how long each takes, and what memory it holds, beside the raw
// figures of the same machine in the same run: a broker alone, SQLite alone.
package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/gorilla/websocket"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	_ "modernc.org/sqlite" // the raw store of the comparison
)

const (
	publishers = 8
	window     = 64 // messages of one publisher that may be unacknowledged
	span       = 5 * time.Second
	paced      = 1000 // messages a second of the latency run, all publishers together
	rowsInTx   = 1000
)

func main() {
	bin := flag.String("bin", "bin/ashlamp", "the daemon")
	flag.Parse()
	if err := run(*bin, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

func run(bin string, out io.Writer) error {
	dir, err := os.MkdirTemp("", "ashlamp-load-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)

	raw, err := brokerAlone()
	if err != nil {
		return fmt.Errorf("broker alone: %w", err)
	}
	fmt.Fprintf(out, "load: raw broker alone, QoS 1, %d publishers: %.0f acknowledged msg/s\n", publishers, raw)
	rows, err := sqliteAlone(filepath.Join(dir, "raw.db"))
	if err != nil {
		return fmt.Errorf("SQLite alone: %w", err)
	}
	fmt.Fprintf(out, "load: raw SQLite alone, WAL, FULL, %d rows a transaction: %.0f rows/s\n", rowsInTx, rows)

	d, err := start(bin, dir)
	if err != nil {
		return err
	}
	defer d.stop()
	idle := d.rss()
	through, _, err := publish(d.broker, 0)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "load: daemon, QoS 1 to disk and judged, %d publishers: %.0f acknowledged samples/s (%.0f %% of the raw broker)\n", publishers, through, 100*through/raw)

	page, err := d.watch()
	if err != nil {
		return err
	}
	rate, acks, err := publish(d.broker, paced)
	if err != nil {
		return err
	}
	ages := page.end()
	fmt.Fprintf(out, "load: at %.0f samples/s: publish to acknowledged on disk p50 %s p99 %s\n", rate, quantile(acks, 0.50), quantile(acks, 0.99))
	fmt.Fprintf(out, "load: at %.0f samples/s: sample to page p50 %s p99 %s over %d changes (readings are sent at most ten times a second)\n", rate, quantile(ages, 0.50), quantile(ages, 0.99), len(ages))
	fmt.Fprintf(out, "load: memory held by the daemon: %.1f MB at the start, %.1f MB after\n", idle, d.rss())
	return nil
}

func quantile(d []time.Duration, q float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(q*float64(len(d))))].Round(10 * time.Microsecond)
}

func free() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	return l.Addr().String(), nil
}

// brokerAlone is the embedded broker without a store behind it.
func brokerAlone() (float64, error) {
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(new(auth.AllowHook), nil); err != nil {
		return 0, err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	if err := s.AddListener(listeners.NewNet("raw", l)); err != nil {
		return 0, err
	}
	if err := s.Serve(); err != nil {
		return 0, err
	}
	defer s.Close()
	rate, _, err := publish(l.Addr().String(), 0)
	return rate, err
}

func sqliteAlone(path string) (float64, error) {
	db, err := sql.Open("sqlite", path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		return 0, err
	}
	defer db.Close()
	if _, err := db.Exec("CREATE TABLE s (c INTEGER, t INTEGER, v REAL, PRIMARY KEY (c, t)) WITHOUT ROWID"); err != nil {
		return 0, err
	}
	n := 0
	begun := time.Now()
	for time.Since(begun) < span/2 {
		tx, err := db.Begin()
		if err != nil {
			return 0, err
		}
		st, err := tx.Prepare("INSERT INTO s VALUES (?, ?, ?)")
		if err != nil {
			return 0, errors.Join(err, tx.Rollback())
		}
		for range rowsInTx {
			if _, err := st.Exec(n%16, n, float64(n)); err != nil {
				return 0, errors.Join(err, tx.Rollback())
			}
			n++
		}
		if err := tx.Commit(); err != nil {
			return 0, err
		}
	}
	return float64(n) / time.Since(begun).Seconds(), nil
}

// publish sends for the span, perSecond messages of one sample each by all
// publishers together, or as fast as they are acknowledged where it is 0.
func publish(broker string, perSecond int) (rate float64, acks []time.Duration, err error) {
	var n atomic.Int64
	var mu sync.Mutex
	var wg sync.WaitGroup
	fail := make(chan error, publishers)
	begun := time.Now()
	for p := range publishers {
		wg.Go(func() {
			mine, err := one(broker, p, perSecond, begun, &n)
			if err != nil {
				fail <- err
				return
			}
			mu.Lock()
			acks = append(acks, mine...)
			mu.Unlock()
		})
	}
	wg.Wait()
	took := time.Since(begun)
	select {
	case err := <-fail:
		return 0, nil, err
	default:
	}
	return float64(n.Load()) / took.Seconds(), acks, nil
}

func one(broker string, p, perSecond int, begun time.Time, n *atomic.Int64) ([]time.Duration, error) {
	o := paho.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(fmt.Sprintf("load-%d-%d", p, perSecond)).SetOrderMatters(false)
	c := paho.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return nil, fmt.Errorf("connect to %s: %w", broker, t.Error())
	}
	defer c.Disconnect(100)
	slots := make(chan struct{}, window)
	var mu sync.Mutex
	var took []time.Duration
	var wg sync.WaitGroup
	next := begun
	for time.Since(begun) < span {
		if perSecond > 0 {
			next = next.Add(time.Second * publishers / time.Duration(perSecond))
			time.Sleep(time.Until(next)) // a load of a given rate is what is wanted
		}
		slots <- struct{}{}
		at := time.Now()
		t := c.Publish("sheds/load/engines/load/samples", 1, false, fmt.Appendf(nil, `[{"n":"bench.%d","t":%d.%06d,"v":%d}]`, p, at.Unix(), at.Nanosecond()/1000, at.Nanosecond()))
		wg.Go(func() {
			t.Wait()
			if t.Error() == nil {
				n.Add(1)
			}
			mu.Lock()
			took = append(took, time.Since(at))
			mu.Unlock()
			<-slots
		})
	}
	wg.Wait()
	return took, nil
}

// daemon is the process under load.
type daemon struct {
	cmd          *exec.Cmd
	broker, page string
}

func start(bin, dir string) (*daemon, error) {
	d := &daemon{}
	var err error
	if d.broker, err = free(); err != nil {
		return nil, err
	}
	if d.page, err = free(); err != nil {
		return nil, err
	}
	config := fmt.Sprintf("[shed]\nid = \"load\"\n[http]\nlisten = %q\n[mqtt]\nlisten = %q\n[[engine]]\nid = \"load\"\nworking_pressure_bar = 10\nboiler_volume_l = 400\n", d.page, d.broker)
	path := filepath.Join(dir, "load.toml")
	if err := os.WriteFile(path, []byte(config), 0o600); err != nil {
		return nil, err
	}
	d.cmd = exec.Command(bin, "run", "-c", path, "--data", filepath.Join(dir, "data"))
	d.cmd.Stderr = os.Stderr
	if err := d.cmd.Start(); err != nil {
		return nil, err
	}
	for range 100 {
		if r, err := http.Get("http://" + d.page + "/healthz"); err == nil {
			r.Body.Close()
			return d, nil
		}
		time.Sleep(50 * time.Millisecond) // until another process listens
	}
	d.stop()
	return nil, errors.New("the daemon did not come up within 5 s")
}

func (d *daemon) stop() {
	if err := d.cmd.Process.Signal(os.Interrupt); err == nil {
		_ = d.cmd.Wait() // how it ended is of no account here
	}
}

// rss is the daemon's resident memory in megabyte, 0 where it cannot be read.
func (d *daemon) rss() float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(b)) {
		var kb float64
		if _, err := fmt.Sscanf(line, "VmRSS: %f kB", &kb); err == nil {
			return kb / 1024
		}
	}
	return 0
}

// page is a client of the live link, as a tablet is.
type page struct {
	conn *websocket.Conn
	done chan []time.Duration
}

func (d *daemon) watch() (*page, error) {
	conn, _, err := websocket.DefaultDialer.DialContext(context.Background(), "ws://"+d.page+"/api/v1/live", nil)
	if err != nil {
		return nil, fmt.Errorf("open the live link: %w", err)
	}
	p := &page{conn, make(chan []time.Duration, 1)}
	go p.read()
	return p, nil
}

func (p *page) read() {
	var ages []time.Duration
	newest := map[string]time.Time{}
	for {
		var m struct {
			Change *struct {
				Channels map[string]struct {
					At time.Time `json:"at"`
				} `json:"channels"`
			} `json:"change"`
		}
		_, b, err := p.conn.ReadMessage()
		if err != nil {
			p.done <- ages
			return
		}
		now := time.Now()
		if json.Unmarshal(b, &m) != nil || m.Change == nil {
			continue
		}
		for id, r := range m.Change.Channels {
			if r.At.After(newest[id]) {
				if !newest[id].IsZero() {
					ages = append(ages, now.Sub(r.At))
				}
				newest[id] = r.At
			}
		}
	}
}

func (p *page) end() []time.Duration {
	_ = p.conn.Close() // ends the reading
	return <-p.done
}
