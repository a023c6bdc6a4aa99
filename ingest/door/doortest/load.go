package doortest

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/ingest/door"
)

// Counting is a store that keeps nothing and counts all: the ceiling of a door.
type Counting struct{ Samples, Commits atomic.Int64 }

// Append counts.
func (c *Counting) Append(_ context.Context, batches []ingest.Batch) ([]ingest.Appended, error) {
	out := make([]ingest.Appended, len(batches))
	for i, b := range batches {
		out[i] = ingest.Appended{Batch: b, Fresh: b.Samples}
		c.Samples.Add(int64(len(b.Samples)))
	}
	c.Commits.Add(1)
	return out, nil
}

// NewCountingDoor starts a door before a [Counting] store, by the real clock.
func NewCountingDoor(t testing.TB) (*door.Door, *Counting) {
	t.Helper()
	store := &Counting{}
	g, err := ingest.NewGate(ingest.GateConfig{Engines: []string{"quillet"}, Counters: &ingest.Counters{}, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	c, err := ingest.NewCommitter(ingest.CommitterConfig{Store: store, Gate: g})
	if err != nil {
		t.Fatal(err)
	}
	d, err := door.New(door.Config{Shed: "fernhollow", Gate: g, Sink: c})
	if err != nil {
		t.Fatal(err)
	}
	Background(t, c.Run)
	return d, store
}

// window is how many messages a publisher of [Load] leaves unacknowledged.
const window = 100

// Load publishes n packs of one sample with QoS 1, from several publishers, and
// returns when all are acknowledged. It speaks MQTT 3.1.1 in bytes, so that the load
// costs less than what is measured.
func Load(t testing.TB, url string, publishers, n int) {
	t.Helper()
	errs := make(chan error, publishers)
	for p := range publishers {
		share := n / publishers
		if p < n%publishers {
			share++
		}
		go func() { errs <- publish(strings.TrimPrefix(url, "mqtt://"), p, share) }()
	}
	for range publishers {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
}

func publish(address string, p, n int) error {
	c, err := net.Dial("tcp", address)
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }()
	if err := c.SetDeadline(time.Now().Add(10 * time.Minute)); err != nil {
		return err
	}
	id := fmt.Sprintf("load-%d", p)
	connect := append([]byte{0x10, byte(12 + len(id)), 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 0, 0, byte(len(id))}, id...)
	if _, err := c.Write(connect); err != nil {
		return err
	}
	in := bufio.NewReader(c)
	var head [4]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		return err
	}
	if head != [4]byte{0x20, 2, 0, 0} {
		return fmt.Errorf("CONNACK is %x", head)
	}
	slots := make(chan struct{}, window)
	writing := make(chan error, 1)
	go func() {
		out := bufio.NewWriter(c)
		start := time.Now().Add(-time.Minute).UnixMicro()
		var b []byte
		for i := range n {
			select {
			case slots <- struct{}{}:
			default:
				if err := out.Flush(); err != nil {
					writing <- err
					return
				}
				slots <- struct{}{}
			}
			us := start + int64(i)
			b = append(b[:0], 0x32, 0, 0, byte(len(engineTopic)))
			b = append(b, engineTopic...)
			b = binary.BigEndian.AppendUint16(b, uint16(i%65535+1))
			b = append(b, `[{"n":"boiler.pressure.`...)
			b = strconv.AppendInt(b, int64(p), 10)
			b = append(b, `","u":"Pa","v":7`...)
			b = strconv.AppendInt(b, int64(i%100000), 10)
			b = append(b, `,"t":`...)
			b = strconv.AppendInt(b, us/1e6, 10)
			b = append(b, '.')
			b = append(b, strconv.Itoa(int(us%1e6 + 1e6))[1:]...)
			b = append(b, `}]`...)
			b[1] = byte(len(b) - 2)
			if len(b)-2 > 127 {
				writing <- errors.New("packet too long for one byte of length")
				return
			}
			if _, err := out.Write(b); err != nil {
				writing <- err
				return
			}
		}
		writing <- out.Flush()
	}()
	for range n {
		if _, err := io.ReadFull(in, head[:]); err != nil {
			return fmt.Errorf("read PUBACK: %w", err)
		}
		if head[0] != 0x40 {
			return fmt.Errorf("PUBACK is %x", head)
		}
		<-slots
	}
	return <-writing
}
