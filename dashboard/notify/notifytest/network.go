package notifytest

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// Line is how a [Network] is.
type Line int

// The lines.
const (
	// Open is that what is sent arrives.
	Open Line = iota
	// Refused is that nobody answers at the address.
	Refused
	// Mute is that a connection is made and nothing more is heard of it.
	Mute
	// Cut is that a connection breaks after some bytes.
	Cut
	// OneWay is that what is sent arrives and the answer does not: who sends cannot know.
	OneWay
)

// cutAfter is after how many bytes towards the far end a line that is cut breaks: within
// the TLS handshake or within the message, by chance of how they are packed.
const cutAfter = 2500

// answered is how much of the answers comes back over a line that is one way: a TLS
// handshake, and then little more (some 1,200 bytes with these certificates).
const answered = 1500

// Network is the way over the network to a far end on loopback. What goes on breaks off
// whenever it changes.
type Network struct {
	t    testing.TB
	to   string
	addr string

	mu       sync.Mutex
	line     Line
	listener net.Listener
	open     map[net.Conn]bool
	running  sync.WaitGroup
}

// NewNetwork returns an open way to an address.
func NewNetwork(t testing.TB, to string) *Network {
	t.Helper()
	n := &Network{t: t, to: to, open: map[net.Conn]bool{}, line: Refused, addr: "127.0.0.1:0"}
	n.Set(Open)
	t.Cleanup(func() {
		n.Set(Refused)
		n.running.Wait()
	})
	return n
}

// Address is where the far end is reached over it.
func (n *Network) Address() string { return n.addr }

// Set changes the line, and breaks off all that goes on over it.
func (n *Network) Set(l Line) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.line = l
	for c := range n.open {
		_ = c.Close()
	}
	n.open = map[net.Conn]bool{}
	if l == Refused {
		if n.listener != nil {
			_ = n.listener.Close()
			n.listener = nil
		}
		return
	}
	if n.listener != nil {
		return
	}
	var err error
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for range 100 { // the system may have lent the address to somebody for a moment
		if n.listener, err = net.Listen("tcp", n.addr); err == nil {
			break
		}
		<-tick.C
	}
	if err != nil {
		n.t.Errorf("the network is not up again: %v", err)
		n.listener = nil
		return
	}
	n.addr = n.listener.Addr().String()
	n.running.Add(1)
	go n.accept(n.listener)
}

func (n *Network) accept(l net.Listener) {
	defer n.running.Done()
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		n.mu.Lock()
		line := n.line
		if n.listener != l {
			n.mu.Unlock()
			_ = c.Close()
			return
		}
		n.open[c] = true
		n.running.Add(1)
		n.mu.Unlock()
		go func() {
			defer n.running.Done()
			n.carry(c, line)
		}()
	}
}

func (n *Network) carry(c net.Conn, line Line) {
	defer n.drop(c)
	if line == Mute {
		_, _ = io.Copy(io.Discard, c)
		return
	}
	far, err := net.Dial("tcp", n.to)
	if err != nil {
		return // nobody is there
	}
	n.mu.Lock()
	if !n.open[c] {
		n.mu.Unlock()
		_ = far.Close()
		return
	}
	n.open[far] = true
	n.mu.Unlock()
	defer n.drop(far)
	back := make(chan struct{})
	go func() {
		defer close(back)
		defer n.drop(c)
		if line == OneWay {
			// As much as the handshakes need comes back, and then nothing.
			_, _ = io.CopyN(c, far, answered)
			_, _ = io.Copy(io.Discard, far)
			return
		}
		_, _ = io.Copy(c, far)
	}()
	if line == Cut {
		_, _ = io.CopyN(far, c, cutAfter)
	} else {
		_, _ = io.Copy(far, c)
	}
	n.drop(far)
	<-back
}

func (n *Network) drop(c net.Conn) {
	n.mu.Lock()
	delete(n.open, c)
	n.mu.Unlock()
	_ = c.Close()
}
