// Package notifytest is what every way out must pass, and the far ends to pass it with:
// a push service with its browsers, a mail server from Debian, and a webhook's receiver,
// all on loopback. None of them uses anything of what it tests.
package notifytest

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// Far is a way out with its far end, as the suite needs it.
type Far struct {
	Way notify.Way
	// To completes a message for a far end that is of the mood.
	To func(m notify.Message, mood Mood) notify.Message
	// Received returns what the far end has once it has at least n.
	Received func(n int) []Receipt
	// Distrustful is the same way, but trusting nobody who signs this far end's certificate.
	Distrustful notify.Way
	// At is the same way to another address on loopback.
	At func(t *testing.T, address string) notify.Way
	// Moods are those that this far end can be of, beside [Takes].
	Moods []Mood
	// SaysHowLong is that its protocol says for how long it wants to be left alone.
	SaysHowLong bool
	// Counts is that a repeat says to the far end which attempt it is.
	Counts bool
}

// Receipt is what a far end has of a message.
type Receipt struct {
	// Key is that by which the other side knows a repeat.
	Key  string
	Line string
	// Attempt is what the message said of itself, 0 where it says nothing.
	Attempt int
}

// soon is how long what needs no wait may take on a machine that has much else to do.
const soon = 15 * time.Second

// Message returns a message for tests, one for each number.
func Message(i int) notify.Message {
	at := time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)
	cause := fmt.Sprintf("quillet/cool-enough/%d", i)
	return notify.Message{
		ID: fmt.Sprintf("id-%d_x", i), Tag: cause, To: "Elsie Ward", Place: "#/pit?engine=quillet",
		Line:  fmt.Sprintf("Quillet is cool enough to push into the shed. Confirm first: handbrake – No. %d, “scotched”", i),
		Tail:  "Shell 43.1 °C, under 50 °C for 20 min.",
		Until: time.Now().Add(6 * time.Hour).Truncate(time.Second), Attempt: 1,
		Notice: notice.Notice{
			Cause: cause, N: 1, Turn: notice.Began, Kind: notice.CoolEnough, Engine: "quillet", Name: "Quillet",
			At: at, Began: at, Priority: alarm.Low,
			Facts: notice.Facts{Yet: []string{"Handbrake on, wheels scotched"}},
		},
	}
}

// Run runs the suite; open makes a way with a far end of its own for each statement.
func Run(t *testing.T, open func(t *testing.T) Far) {
	t.Run("what is sent is taken once, and reads as it was written", func(t *testing.T) {
		f := open(t)
		m := f.To(Message(1), Takes)
		if err := send(t, f.Way, m); err != nil {
			t.Fatalf("Send: %v", err)
		}
		got := f.Received(1)
		if len(got) != 1 {
			t.Fatalf("received %d, want 1", len(got))
		}
		if got[0].Line != m.Line {
			t.Errorf("line %q, want %q", got[0].Line, m.Line)
		}
		if f.Counts && got[0].Attempt != 1 {
			t.Errorf("attempt %d, want 1", got[0].Attempt)
		}
	})

	t.Run("a repeat is known by its key, and another message by another", func(t *testing.T) {
		f := open(t)
		m := f.To(Message(1), Takes)
		repeat := m
		repeat.Attempt = 2
		for _, m := range []notify.Message{m, repeat, f.To(Message(2), Takes)} {
			if err := send(t, f.Way, m); err != nil {
				t.Fatalf("Send attempt %d: %v", m.Attempt, err)
			}
		}
		keys := map[string][]int{}
		for _, r := range f.Received(3) {
			keys[r.Key] = append(keys[r.Key], r.Attempt)
		}
		twice := 0
		for k, attempts := range keys {
			if k == "" {
				t.Error("a message has no key")
			}
			if len(attempts) == 2 {
				twice++
				if f.Counts && attempts[0]+attempts[1] != 3 {
					t.Errorf("attempts %v, want 1 and 2", attempts)
				}
			}
		}
		if len(keys) != 2 || twice != 1 {
			t.Errorf("keys %v, want two, one of them twice", keys)
		}
	})

	t.Run("many at once are all taken, each once", func(t *testing.T) {
		f := open(t)
		const n = 12
		var wg sync.WaitGroup
		for i := range n {
			wg.Go(func() {
				if err := send(t, f.Way, f.To(Message(i), Takes)); err != nil {
					t.Errorf("Send %d: %v", i, err)
				}
			})
		}
		wg.Wait()
		lines := map[string]int{}
		for _, r := range f.Received(n) {
			lines[r.Line]++
		}
		for i := range n {
			if got := lines[Message(i).Line]; got != 1 {
				t.Errorf("message %d received %d times, want once", i, got)
			}
		}
	})

	for _, mood := range open(t).Moods {
		t.Run("told what it means where the far end "+mood.String(), func(t *testing.T) {
			f := open(t)
			err := send(t, f.Way, f.To(Message(1), mood))
			var later *notify.Later
			isLater, isGone, isRefused := errors.As(err, &later), errors.Is(err, notify.ErrGone), errors.Is(err, notify.ErrRefused)
			if err == nil || isLater != (mood == Busy) || isGone != (mood == Gone) || isRefused != (mood == Refuses) {
				t.Fatalf("Send = %v (later %t, gone %t, refused %t), want what %q means", err, isLater, isGone, isRefused, mood)
			}
			if isLater && f.SaysHowLong && later.After != BusyFor {
				t.Errorf("asked to wait %s, want %s", later.After, BusyFor)
			}
			if got := f.Received(0); len(got) != 0 {
				t.Errorf("received %v, want nothing", got)
			}
			// It is of that message: another is taken by the same way.
			if err := send(t, f.Way, f.To(Message(2), Takes)); err != nil {
				t.Errorf("Send after it: %v", err)
			}
		})
	}

	t.Run("a far end whose certificate nobody vouches for is told nothing", func(t *testing.T) {
		f := open(t)
		err := send(t, f.Distrustful, f.To(Message(1), Takes))
		var cert *tls.CertificateVerificationError
		if !errors.As(err, &cert) || !retried(err) {
			t.Errorf("Send = %v, want a certificate that is not trusted, worth another attempt", err)
		} else if !strings.Contains(err.Error(), "certificate") || !strings.Contains(err.Error(), "ca_file") {
			t.Errorf("%q does not say how to mend it", err)
		}
		if got := f.Received(0); len(got) != 0 {
			t.Errorf("received %v, want nothing", got)
		}
	})

	t.Run("nobody at the address is worth another attempt", func(t *testing.T) {
		f := open(t)
		l := listen(t)
		address := l.Addr().String()
		l.Close()
		err := send(t, f.At(t, address), f.To(Message(1), Takes))
		var op *net.OpError
		if !retried(err) || !errors.As(err, &op) || op.Op != "dial" {
			t.Errorf("Send = %v, want that nobody was reached", err)
		}
	})

	for _, how := range []string{"the time is over", "the daemon goes"} {
		t.Run("a far end that says nothing is left once "+how, func(t *testing.T) {
			f := open(t)
			l := listen(t)
			way := f.At(t, l.Addr().String())
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			if how == "the time is over" {
				ctx, cancel = context.WithTimeout(t.Context(), 250*time.Millisecond)
				defer cancel()
			}
			done := make(chan error, 1)
			go func() { done <- way.Send(ctx, f.To(Message(1), Takes)) }()
			c, err := l.Accept()
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			if how == "the daemon goes" {
				cancel()
			}
			select {
			case err := <-done:
				if !retried(err) || !errors.Is(err, notify.ErrUnsent) {
					t.Errorf("Send = %v, want that nothing was sent, worth another attempt", err)
				}
			case <-time.After(soon):
				t.Fatalf("Send goes on %s after its context ended", soon)
			}
		})
	}

	t.Run("a far end that hangs up before it knows anything is worth another attempt", func(t *testing.T) {
		f := open(t)
		l := listen(t)
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				_, _ = c.Write([]byte("220 "))
				c.Close()
			}
		}()
		if err := send(t, f.At(t, l.Addr().String()), f.To(Message(1), Takes)); !retried(err) || !errors.Is(err, notify.ErrUnsent) {
			t.Errorf("Send = %v, want that nothing was sent, worth another attempt", err)
		}
	})
}

// retried reports whether the office tries again after an error of its own accord.
func retried(err error) bool {
	return err != nil && !errors.Is(err, notify.ErrGone) && !errors.Is(err, notify.ErrRefused)
}

func send(t *testing.T, w notify.Way, m notify.Message) error {
	ctx, cancel := context.WithTimeout(t.Context(), soon)
	defer cancel()
	return w.Send(ctx, m)
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}
