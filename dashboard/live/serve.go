package live

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"github.com/gorilla/websocket"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/problem"
)

// client is one open page. Its goroutines are those of ServeHTTP.
type client struct {
	remote string
	queue  chan *prepared
	cut    context.CancelFunc
}

// ServeHTTP upgrades GET …?after=N to a WebSocket and serves it until either side
// ends it. A page of another host is refused (RFC 6455 section 10.2).
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet {
		w.Header().Set("Allow", http.MethodGet)
		problem.Write(w, r, problem.Method, "The method "+r.Method+" means nothing here.", "Open a WebSocket, which begins with GET.")
		return
	}
	after, err := afterOf(r)
	if err != nil {
		problem.Write(w, r, problem.BadRequest, err.Error(), "Ask with after=N, N the number of the last message that was applied, or leave it out.")
		return
	}
	if h.opts.Judging != nil {
		if err := h.opts.Judging(); err != nil {
			problem.Write(w, r, problem.Busy, "What is known of the engines is not being judged: "+err.Error(), "Look at the daemon's log; until then go by eye and gauge.")
			return
		}
	}
	ctx, cut := context.WithCancel(r.Context())
	defer cut()
	c := &client{remote: r.RemoteAddr, queue: make(chan *prepared, h.opts.Queue), cut: cut}
	if !h.enter() {
		problem.Write(w, r, problem.Busy, "No further live link can be served now.", "Close a page that nobody looks at, or try again in a few seconds.")
		return
	}
	defer h.serving.Done()
	up := websocket.Upgrader{
		HandshakeTimeout: h.opts.WriteWait,
		// Prepared messages are written past the buffer, and a page says nothing.
		WriteBufferSize: 1024, ReadBufferSize: 512,
		Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
			kind := problem.BadRequest
			if status == http.StatusForbidden {
				kind = problem.OtherOrigin
			}
			problem.Write(w, r, kind, reason.Error(), "Open a WebSocket (RFC 6455, version 13) from a page of this same host.")
		},
	}
	conn, err := up.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer conn.Close()
	h.serve(ctx, c, conn, after)
}

func afterOf(r *http.Request) (*uint64, error) {
	q := r.URL.Query()
	if !q.Has("after") {
		return nil, nil
	}
	n, err := strconv.ParseUint(q.Get("after"), 10, 64)
	return &n, err
}

func (h *Hub) enter() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped {
		return false
	}
	h.serving.Add(1)
	return true
}

// join puts the client on the list and returns, of the same moment, what it is to
// be sent first: the changes since after, or a snapshot.
func (h *Hub) join(c *client, after *uint64) (missed []*prepared, snapshot *message.Live, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped || len(h.clients) >= h.opts.MaxClients {
		return nil, nil, false
	}
	h.clients[c] = struct{}{}
	if after != nil {
		if missed, ok := h.ring.since(*after, h.n); ok {
			h.stats.Resumed++
			return missed, nil, true
		}
	}
	h.stats.Snapshots++
	now := h.now
	return nil, &message.Live{N: h.n, Snapshot: &now}, true
}

func (h *Hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, c)
}

func (h *Hub) serve(ctx context.Context, c *client, conn *websocket.Conn, after *uint64) {
	missed, snapshot, ok := h.join(c, after)
	if !ok {
		h.bye(conn, websocket.CloseTryAgainLater, "too many pages are open")
		return
	}
	defer h.leave(c)
	// A write that is stuck ends only when the socket does.
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	read := make(chan struct{})
	go func() {
		defer close(read)
		defer c.cut()
		h.read(conn)
	}()
	h.write(ctx, c, conn, missed, snapshot)
	c.cut()
	conn.Close()
	<-read
}

// read takes in pongs and the closing; a page has nothing to say.
func (h *Hub) read(conn *websocket.Conn) {
	alive := func() error { return conn.SetReadDeadline(time.Now().Add(h.opts.PongWait)) }
	conn.SetReadLimit(DefaultReadLimit)
	conn.SetPongHandler(func(string) error { return alive() })
	if alive() != nil {
		return
	}
	for {
		if _, _, err := conn.NextReader(); err != nil {
			return
		}
	}
}

func (h *Hub) write(ctx context.Context, c *client, conn *websocket.Conn, missed []*prepared, snapshot *message.Live) {
	if snapshot != nil {
		whole := aged(*snapshot.Snapshot, h.opts.Now())
		b, err := json.Marshal(message.Live{N: snapshot.N, Snapshot: &whole})
		if err != nil {
			h.opts.Log.Error("live link: encode a snapshot", "error", err)
			h.bye(conn, websocket.CloseInternalServerErr, "the snapshot could not be encoded")
			return
		}
		if h.deadline(conn) != nil || conn.WriteMessage(websocket.TextMessage, b) != nil {
			return
		}
	}
	for _, m := range missed {
		if h.deadline(conn) != nil || conn.WritePreparedMessage(m.PreparedMessage) != nil {
			return
		}
	}
	ping := time.NewTicker(h.opts.PongWait / 2)
	defer ping.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ping.C:
			if conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(h.opts.WriteWait)) != nil {
				return
			}
		case m := <-c.queue:
			if h.deadline(conn) != nil || conn.WritePreparedMessage(m.PreparedMessage) != nil {
				return
			}
		}
	}
}

// The socket's deadlines are of the kernel's clock, whatever the data's clock says.
func (h *Hub) deadline(conn *websocket.Conn) error {
	return conn.SetWriteDeadline(time.Now().Add(h.opts.WriteWait))
}

func (h *Hub) bye(conn *websocket.Conn, code int, why string) {
	_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, why), time.Now().Add(h.opts.WriteWait))
}
