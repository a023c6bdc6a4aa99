package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// messageBytes is about the size of a change of sixteen channels.
const messageBytes = 2_600

// serveBare serves a handler on loopback until it is closed.
func serveBare(h http.Handler) (address string, end func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	s := &http.Server{Handler: h, ReadHeaderTimeout: patience}
	go func() { _ = s.Serve(l) }() // ends when it is closed
	return l.Addr().String(), func() { _ = s.Close() }, nil
}

// bareEcho is how long a message takes there and back, n connections at once.
func bareEcho(ctx context.Context, n int, span time.Duration) ([]time.Duration, error) {
	address, end, err := serveBare(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		up := websocket.Upgrader{}
		conn, err := up.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer conn.Close()
		for {
			kind, b, err := conn.ReadMessage()
			if err != nil || conn.WriteMessage(kind, b) != nil {
				return
			}
		}
	}))
	if err != nil {
		return nil, err
	}
	defer end()
	var (
		mu   sync.Mutex
		all  []time.Duration
		fail error
		wg   sync.WaitGroup
	)
	ctx, cancel := context.WithTimeout(ctx, span)
	defer cancel()
	for range n {
		wg.Go(func() {
			took, err := echoes(ctx, address)
			mu.Lock()
			defer mu.Unlock()
			all, fail = append(all, took...), errors.Join(fail, err)
		})
	}
	wg.Wait()
	return all, fail
}

func echoes(ctx context.Context, address string) ([]time.Duration, error) {
	conn, _, err := websocket.DefaultDialer.DialContext(ctx, "ws://"+address, nil)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	ticks := time.NewTicker(tick)
	defer ticks.Stop()
	var took []time.Duration
	b := make([]byte, messageBytes)
	for n := uint64(0); ; n++ {
		select {
		case <-ctx.Done():
			return took, nil
		case <-ticks.C:
		}
		binary.LittleEndian.PutUint64(b, n)
		at := time.Now()
		if err := conn.WriteMessage(websocket.BinaryMessage, b); err != nil {
			return took, err
		}
		if _, _, err := conn.ReadMessage(); err != nil {
			return took, err
		}
		took = append(took, time.Since(at))
	}
}

// bareHTML writes down what it is sent, and nothing else.
const bareHTML = `<!doctype html><title>bare</title><p class="bare">-</p><script>
new WebSocket("ws://" + location.host + "/link").onmessage = (e) => { document.querySelector(".bare").firstChild.data = e.data.split("\n")[0]; };
</script>`

// barePage is how long a figure takes from its sending until a browser has drawn it,
// where nothing but a socket and a line of text is between.
func barePage(ctx context.Context, tools string, span time.Duration) ([]time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, span+2*patience)
	defer cancel()
	var mu sync.Mutex
	var sent []sample
	filler := make([]byte, messageBytes)
	for i := range filler {
		filler[i] = '.'
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write([]byte(bareHTML))
	})
	mux.HandleFunc("GET /link", func(w http.ResponseWriter, r *http.Request) {
		up := websocket.Upgrader{}
		conn, err := up.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer conn.Close()
		ticks := time.NewTicker(tick)
		defer ticks.Stop()
		for n := 0; ; n++ {
			select {
			case <-ctx.Done():
				return
			case <-ticks.C:
			}
			f := fmt.Sprint(n)
			mu.Lock()
			sent = append(sent, sample{f, time.Now()})
			mu.Unlock()
			if conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, "%s\n%s", f, filler)) != nil {
				return
			}
		}
	})
	address, end, err := serveBare(mux)
	if err != nil {
		return nil, err
	}
	defer end()
	b, err := openBrowser(ctx, tools, "http://"+address+"/", ".bare", span)
	if err != nil {
		return nil, err
	}
	defer b.close()
	draws, err := b.end()
	if err != nil {
		return nil, err
	}
	mu.Lock()
	defer mu.Unlock()
	if len(draws) == 0 {
		return nil, errors.New("the browser drew nothing of a bare page; does it run with test/measure-drawn.ts?")
	}
	// What was sent before the page was watched was drawn, but nobody noted when.
	from := draws[0].at.Add(-tick)
	return delays(after(sent, from), draws), nil
}
