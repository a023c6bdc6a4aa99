package live

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ashlamp/rules/verdict"
)

const (
	benchClients = 200
	benchRate    = 20 // changes a second
	benchBytes   = 2000
)

// BenchmarkBroadcast sends 20 changes of 2 kB a second to 200 clients through the
// hub, and beside it through bare prepared messages. An operation is one change, so
// 50 ms by the clock: what tells is the share of one core (both ends are in this
// process), the 99th percentile from publishing to the last byte read by a client,
// and the heap for each client. Run it with -benchtime=200x.
func BenchmarkBroadcast(b *testing.B) {
	b.Run("hub", func(b *testing.B) {
		h := start(b, shed("quillet"), Options{})
		text := strings.Repeat("x", benchBytes-300)
		broadcast(b, h.url, func(n int) {
			// Each is a transition, so none is merged.
			publish(b, h.Hub, judged("quillet", verdict.Verdict(n%2+1), text))
		}, func() { h.untilClients(b, func(s Stats) bool { return s.Clients == benchClients }) })
	})
	b.Run("bare", func(b *testing.B) {
		var mu sync.Mutex
		var conns []*websocket.Conn
		all := make(chan struct{})
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			var up websocket.Upgrader
			conn, err := up.Upgrade(w, r, nil)
			if err != nil {
				b.Error(err)
				return
			}
			mu.Lock()
			defer mu.Unlock()
			if conns = append(conns, conn); len(conns) == benchClients {
				close(all)
			}
		}))
		defer server.Close()
		pad := strings.Repeat("x", benchBytes-20)
		broadcast(b, "ws"+strings.TrimPrefix(server.URL, "http"), func(n int) {
			m, err := websocket.NewPreparedMessage(websocket.TextMessage, fmt.Appendf(nil, `{"n":%d,"x":"%s"}`, n, pad))
			if err != nil {
				b.Fatal(err)
			}
			for _, c := range conns {
				if err := c.WritePreparedMessage(m); err != nil {
					b.Fatal(err)
				}
			}
		}, func() { <-all })
		for _, c := range conns {
			c.Close()
		}
	})
}

// broadcast connects the clients, sends b.N changes at the rate, and reports.
// Numbers of messages are 1 to b.N; a client ignores any other.
func broadcast(b *testing.B, url string, send func(n int), connected func()) {
	heapBefore := heap()
	sent := make([]time.Time, b.N+1)
	var mu sync.Mutex // held over sending, so that the readers see the time of it
	var late []time.Duration
	var wg sync.WaitGroup
	for range benchClients {
		conn := dial(b, url)
		_ = conn.SetReadDeadline(time.Time{})
		wg.Add(1)
		go func() {
			defer wg.Done()
			took := make([]time.Duration, 0, b.N)
			for len(took) < b.N {
				_, m, err := conn.ReadMessage()
				if err != nil {
					b.Error(err)
					return
				}
				at := time.Now()
				if n := number(m); n >= 1 && n <= b.N && !bytes.Contains(m[:min(len(m), 40)], []byte("snapshot")) {
					mu.Lock()
					took = append(took, at.Sub(sent[n]))
					mu.Unlock()
				}
			}
			mu.Lock()
			defer mu.Unlock()
			late = append(late, took...)
		}()
	}
	connected()
	heapClients := heap() - heapBefore
	cpu := cpuTime()
	tick := time.NewTicker(time.Second / benchRate)
	defer tick.Stop()
	b.ResetTimer()
	for n := 1; n <= b.N; n++ {
		<-tick.C
		mu.Lock()
		sent[n] = time.Now()
		mu.Unlock()
		send(n)
	}
	wg.Wait()
	b.StopTimer()
	slices.Sort(late)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(100*float64(cpuTime()-cpu)/float64(b.Elapsed()), "%core")
	b.ReportMetric(late[len(late)/2].Seconds()*1000, "p50-ms")
	b.ReportMetric(late[len(late)*99/100].Seconds()*1000, "p99-ms")
	b.ReportMetric(float64(heapClients)/benchClients/1000, "kB/client")
}

// number reads the n of `{"n":123,…`.
func number(m []byte) int {
	m = bytes.TrimPrefix(m, []byte(`{"n":`))
	n, err := strconv.Atoi(string(m[:max(bytes.IndexByte(m, ','), 0)]))
	if err != nil {
		return -1
	}
	return n
}

func heap() int64 {
	runtime.GC()
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	return int64(s.HeapInuse + s.StackInuse)
}

func cpuTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkPublish is one reading published, merged or sent, with nobody connected.
func BenchmarkPublish(b *testing.B) {
	for _, c := range []struct {
		name string
		v    func(n int) verdict.Verdict
	}{
		{"merged", func(int) verdict.Verdict { return verdict.NotYet }},
		{"sent", func(n int) verdict.Verdict { return verdict.Verdict(n%2 + 1) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			h := start(b, shed("quillet"), Options{})
			b.ReportAllocs()
			for n := 0; b.Loop(); n++ {
				publish(b, h.Hub, judged("quillet", c.v(n), "0.31 bar in the boiler"))
			}
		})
	}
}
