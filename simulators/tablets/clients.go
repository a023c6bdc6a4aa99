package main

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// clients are open pages without a screen.
type clients struct {
	conns []*websocket.Conn
	done  sync.WaitGroup

	mu    sync.Mutex
	heard []heard
}

// heard is the newest pressure of a message, by the time of its sample.
type heard struct{ of, at time.Time }

func openClients(ctx context.Context, address string, n int) (*clients, error) {
	c := &clients{}
	for range n {
		conn, _, err := websocket.DefaultDialer.DialContext(ctx, "ws://"+address+"/api/v1/live", nil)
		if err != nil {
			c.close()
			return nil, fmt.Errorf("open the live link: %w", err)
		}
		c.conns = append(c.conns, conn)
		c.done.Go(func() { c.read(conn) })
	}
	return c, nil
}

func (c *clients) read(conn *websocket.Conn) {
	var mine []heard
	for {
		_, b, err := conn.ReadMessage()
		if err != nil {
			break
		}
		at := time.Now()
		var m struct {
			Change *struct {
				Channels map[string]struct {
					At time.Time `json:"at"`
				} `json:"channels"`
			} `json:"change"`
		}
		if json.Unmarshal(b, &m) != nil || m.Change == nil {
			continue
		}
		if r, ok := m.Change.Channels["boiler.pressure"]; ok {
			mine = append(mine, heard{r.At, at})
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.heard = append(c.heard, mine...)
}

// delays closes the pages and returns how long each of the samples took to each that
// heard it.
func (c *clients) delays(sent []sample) []time.Duration {
	c.close()
	counts := map[int64]bool{}
	for _, s := range sent {
		counts[s.at.UnixMicro()] = true
	}
	var out []time.Duration
	for _, h := range c.heard {
		if counts[h.of.UnixMicro()] {
			out = append(out, h.at.Sub(h.of))
		}
	}
	return out
}

func (c *clients) close() {
	for _, conn := range c.conns {
		_ = conn.Close() // ends the reading
	}
	c.done.Wait()
}
