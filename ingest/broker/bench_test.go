package broker_test

import (
	"fmt"
	"log/slog"
	"net"
	"testing"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"ashlamp/ingest/door/doortest"
)

// anyone lets everybody do everything.
type anyone struct{ mochi.HookBase }

func (*anyone) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*anyone) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*anyone) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

// BenchmarkQoS1 gives acknowledged messages of one sample a second: the door with a
// store that keeps nothing, beside the library's broker alone in the same run.
func BenchmarkQoS1(b *testing.B) {
	for _, publishers := range []int{1, 8} {
		b.Run(fmt.Sprintf("raw-broker-alone/publishers=%d", publishers), func(b *testing.B) {
			s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
			if err := s.AddHook(new(anyone), nil); err != nil {
				b.Fatal(err)
			}
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				b.Fatal(err)
			}
			if err := s.AddListener(listeners.NewNet("raw", l)); err != nil {
				b.Fatal(err)
			}
			if err := s.Serve(); err != nil {
				b.Fatal(err)
			}
			defer func() { _ = s.Close() }()
			b.ReportAllocs()
			b.ResetTimer()
			doortest.Load(b, l.Addr().String(), publishers, b.N)
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
		})
		b.Run(fmt.Sprintf("door/publishers=%d", publishers), func(b *testing.B) {
			d, store := doortest.NewCountingDoor(b)
			_, url, _ := open(b, d, nil)
			b.ReportAllocs()
			b.ResetTimer()
			doortest.Load(b, url, publishers, b.N)
			b.StopTimer()
			if got := store.Samples.Load(); got != int64(b.N) {
				b.Fatalf("%d samples reached the store, want %d", got, b.N)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
			b.ReportMetric(float64(b.N)/float64(store.Commits.Load()), "msg/commit")
		})
	}
}
