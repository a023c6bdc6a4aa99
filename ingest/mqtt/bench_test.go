package mqtt_test

import (
	"fmt"
	"testing"

	"ashlamp/ingest/door/doortest"
)

// BenchmarkQoS1 gives messages of one sample a second from nodes through a mosquitto
// to a store that keeps nothing, beside what mosquitto alone acknowledges in the same
// run. What a door has not taken waits in mosquitto, without limit here.
func BenchmarkQoS1(b *testing.B) {
	const config = "allow_anonymous true\nmax_queued_messages 0\npersistence false"
	for _, publishers := range []int{1, 8} {
		b.Run(fmt.Sprintf("raw-mosquitto-alone/publishers=%d", publishers), func(b *testing.B) {
			m := doortest.StartMosquitto(b, config)
			b.ResetTimer()
			doortest.Load(b, m.URL(), publishers, b.N)
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
		})
		b.Run(fmt.Sprintf("door/publishers=%d", publishers), func(b *testing.B) {
			m := doortest.StartMosquitto(b, config)
			d, store := doortest.NewCountingDoor(b)
			open(b, d, m.URL(), nil)
			connected(b, m)
			b.ReportAllocs()
			b.ResetTimer()
			doortest.Load(b, m.URL(), publishers, b.N)
			doortest.Until(b, "all to be stored", func() bool { return store.Samples.Load() >= int64(b.N) })
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
			b.ReportMetric(float64(b.N)/float64(store.Commits.Load()), "msg/commit")
		})
	}
}
