package store

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

// The figures stand beside what SQLite alone does in the same run with the
// plainest table that could hold the samples: one row each, keyed by series and
// time, without source, receipt or reason.

var benchChannels = []telemetry.Channel{
	telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.BoilerLevel,
	telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe, telemetry.TankLeft,
}

// reading is a noisy falling value in whole units of a resolution, as a node sends it.
func reading(r *rand.Rand, ch, i int) float64 {
	switch v := 1000 * math.Exp(-float64(i%86_400)/40_000); ch % 3 {
	case 0:
		return math.Round(700*v+150*r.NormFloat64()/10) * 100 // Pa, from 0.001 bar
	case 1:
		return math.Round(10*(0.6*v+0.2*r.NormFloat64())) / 10 // degrees Celsius
	default:
		return math.Round(1000*(v/1500+0.002*r.NormFloat64())) / 1000 // of the glass
	}
}

// second is one sample of each channel, 20 ms jitter on the node's clock.
func second(r *rand.Rand, from time.Time, i int) ingest.Batch {
	return secondOf(r, from, i, benchChannels)
}

func secondOf(r *rand.Rand, from time.Time, i int, channels []telemetry.Channel) ingest.Batch {
	at := from.Add(time.Duration(i)*time.Second + time.Duration(r.IntN(20_000))*time.Microsecond)
	b := ingest.Batch{Engine: "quillet", Node: "cab", Received: at.Add(time.Duration(1000+r.IntN(5000)) * time.Microsecond)}
	for c, ch := range channels {
		b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: at, Value: reading(r, c, i), Quality: telemetry.Good})
	}
	return b
}

func BenchmarkAppend(b *testing.B) {
	for _, n := range []int{8, 100, 1000} {
		b.Run(fmt.Sprintf("store/%d", n), func(b *testing.B) {
			s := opened(b, filepath.Join(b.TempDir(), "s.db"))
			defer s.Close()
			r := rand.New(rand.NewPCG(1, 2))
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				b.StopTimer()
				var bs []ingest.Batch
				for k := 0; k < n; k += len(benchChannels) {
					bs = append(bs, second(r, noon, i))
					i++
				}
				b.StartTimer()
				if _, err := s.Append(context.Background(), bs); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(i*len(benchChannels))/b.Elapsed().Seconds(), "samples/s")
		})
		b.Run(fmt.Sprintf("SQLite/%d", n), func(b *testing.B) {
			p := newPlain(b)
			r := rand.New(rand.NewPCG(1, 2))
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				b.StopTimer()
				var bs []ingest.Batch
				for k := 0; k < n; k += len(benchChannels) {
					bs = append(bs, second(r, noon, i))
					i++
				}
				b.StartTimer()
				p.append(b, bs)
			}
			b.ReportMetric(float64(i*len(benchChannels))/b.Elapsed().Seconds(), "samples/s")
		})
	}
}

// plain is the plainest table, on a connection set as the store's writer.
type plain struct{ s *Store }

func newPlain(b *testing.B) plain {
	s := opened(b, filepath.Join(b.TempDir(), "plain.db"))
	b.Cleanup(func() { s.Close() })
	if err := s.Update(context.Background(), func(t *Tx) error {
		return t.run("CREATE TABLE plain (series INTEGER, at INTEGER, value REAL, PRIMARY KEY (series, at)) WITHOUT ROWID")
	}); err != nil {
		b.Fatal(err)
	}
	return plain{s}
}

func (p plain) append(b *testing.B, bs []ingest.Batch) {
	err := p.s.Update(context.Background(), func(t *Tx) error {
		st, err := t.prepared("INSERT INTO plain VALUES (?, ?, ?)")
		if err != nil {
			return err
		}
		for _, batch := range bs {
			for c, x := range batch.Samples {
				if _, err := st.ExecContext(t.ctx, c, x.At.UnixMicro(), x.Value); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}

// grow appends seconds of the channels, a minute a transaction.
func grow(seconds int, channels []telemetry.Channel, write func([]ingest.Batch)) {
	r := rand.New(rand.NewPCG(1, 2))
	var bs []ingest.Batch
	for i := range seconds {
		if bs = append(bs, secondOf(r, noon, i, channels)); len(bs) == 60 || i == seconds-1 {
			write(bs)
			bs = bs[:0]
		}
	}
}

func size(b *testing.B, s *Store, path string) int64 {
	if _, err := s.w.conn.ExecContext(context.Background(), "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		b.Fatal(err)
	}
	fi, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	return fi.Size()
}

// BenchmarkDay has the bytes a sample in the file, and those written to the log a
// sample when every second is a transaction.
func BenchmarkDay(b *testing.B) {
	const seconds = 86_400 / 4
	b.Run("store", func(b *testing.B) {
		for b.Loop() {
			path := filepath.Join(b.TempDir(), "s.db")
			s := opened(b, path)
			grow(seconds, benchChannels, func(bs []ingest.Batch) {
				if _, err := s.Append(context.Background(), bs); err != nil {
					b.Fatal(err)
				}
			})
			b.ReportMetric(float64(size(b, s, path))/(seconds*float64(len(benchChannels))), "B/sample")
			s.Close()
		}
	})
	b.Run("SQLite", func(b *testing.B) {
		for b.Loop() {
			p := newPlain(b)
			grow(seconds, benchChannels, func(bs []ingest.Batch) { p.append(b, bs) })
			b.ReportMetric(float64(size(b, p.s, p.s.path))/(seconds*float64(len(benchChannels))), "B/sample")
		}
	})
}

// BenchmarkLog has the bytes that go to the log, a sample, when each second of
// eight channels is a transaction: what wears the card.
func BenchmarkLog(b *testing.B) {
	const seconds = 600
	logged := func(b *testing.B, s *Store, one func(ingest.Batch)) {
		r := rand.New(rand.NewPCG(1, 2))
		if _, err := s.w.conn.ExecContext(context.Background(), "PRAGMA wal_autocheckpoint = 0"); err != nil {
			b.Fatal(err)
		}
		size(b, s, s.path)
		for i := range seconds {
			one(second(r, noon, i))
		}
		fi, err := os.Stat(s.path + "-wal")
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(fi.Size())/(seconds*float64(len(benchChannels))), "B/sample")
	}
	b.Run("store", func(b *testing.B) {
		for b.Loop() {
			s := opened(b, filepath.Join(b.TempDir(), "s.db"))
			logged(b, s, func(x ingest.Batch) {
				if _, err := s.Append(context.Background(), []ingest.Batch{x}); err != nil {
					b.Fatal(err)
				}
			})
			s.Close()
		}
	})
	b.Run("SQLite", func(b *testing.B) {
		for b.Loop() {
			p := newPlain(b)
			logged(b, p.s, func(x ingest.Batch) { p.append(b, []ingest.Batch{x}) })
		}
	})
}

// BenchmarkRead reads from 30 days of a channel at a sample a second.
func BenchmarkRead(b *testing.B) {
	const days = 30
	path := filepath.Join(b.TempDir(), "s.db")
	s := opened(b, path)
	defer s.Close()
	grow(days*86_400, benchChannels[:1], func(bs []ingest.Batch) {
		if _, err := s.Append(context.Background(), bs); err != nil {
			b.Fatal(err)
		}
	})
	b.Logf("30 days of a channel: %d MB", size(b, s, path)>>20)
	end := noon.Add(days * 24 * time.Hour)
	for _, c := range []struct {
		name   string
		from   time.Time
		points int
	}{
		{"hour/600", end.Add(-time.Hour), 600},
		{"10h/1000", end.Add(-10 * time.Hour), 1000},
		{"day/500", end.Add(-24 * time.Hour), 500},
		{"30days/500", noon, 500},
		{"30days/100", noon, 100},
	} {
		b.Run("Buckets/"+c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				bs, err := s.Buckets(context.Background(), "quillet", telemetry.BoilerPressure, c.from, end, c.points)
				if err != nil || len(bs) == 0 {
					b.Fatal(len(bs), err)
				}
			}
		})
	}
	b.Run("Samples/day", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			n := 0
			for _, err := range s.Samples(context.Background(), "quillet", telemetry.BoilerPressure, end.Add(-24*time.Hour), end) {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n < 86_300 {
				b.Fatal(n)
			}
		}
	})
	b.Run("All/12h", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			n := 0
			for _, err := range s.All(context.Background(), "quillet", end.Add(-12*time.Hour), end) {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			b.ReportMetric(float64(n), "samples")
		}
	})
	b.Run("Latest", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Latest(context.Background(), "quillet"); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkReadSQLite sums up one day of the plain table in SQL, beside a day of BenchmarkRead.
func BenchmarkReadSQLite(b *testing.B) {
	p := newPlain(b)
	grow(86_400, benchChannels, func(bs []ingest.Batch) { p.append(b, bs) })
	for b.Loop() {
		rows, err := p.s.rdb.Query("SELECT at / 180000000 AS w, min(value), max(value), avg(value), count(*) FROM plain WHERE series = 0 GROUP BY w")
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for rows.Next() {
			n++
		}
		rows.Close()
		if n < 480 {
			b.Fatal(n)
		}
	}
}

// BenchmarkSeal is the longest that an append takes: the one that seals a minute
// of 40 channels at a sample a second.
func BenchmarkSeal(b *testing.B) {
	s := opened(b, filepath.Join(b.TempDir(), "s.db"))
	defer s.Close()
	m := 0
	for b.Loop() {
		b.StopTimer()
		batch := ingest.Batch{Engine: "quillet", Node: "cab", Received: noon.Add(time.Duration(m) * time.Minute)}
		for c := range 40 {
			for i := range 60 {
				batch.Samples = append(batch.Samples, telemetry.Sample{Channel: telemetry.Channel(fmt.Sprint("c", c)),
					At: noon.Add(time.Duration(m)*time.Minute + time.Duration(i)*time.Second), Value: float64(i), Quality: telemetry.Good})
			}
		}
		if _, err := s.Append(context.Background(), []ingest.Batch{batch}); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		if err := s.Update(context.Background(), func(t *Tx) error { return t.seal(noon.Unix()/60 + int64(m) + 1) }); err != nil {
			b.Fatal(err)
		}
		m++
	}
}

// years fills a store as three years of an engine do: an evening of 9 hours every
// third or fourth day, a sample of the boiler each 5 s while it lasts, with an outage of
// some minutes on every fifth evening; and the shed's air, a sample a minute all the time.
func years(b *testing.B, s *Store) (end time.Time) {
	r := rand.New(rand.NewPCG(3, 4))
	write := func(bs []ingest.Batch) {
		if _, err := s.Append(context.Background(), bs); err != nil {
			b.Fatal(err)
		}
	}
	day := 24 * time.Hour
	next, evening := noon, 0
	for d := range 3 * 365 {
		begin := noon.Add(time.Duration(d) * day)
		var bs []ingest.Batch
		running := !begin.Before(next)
		outage := -1
		if running {
			next = begin.Add(time.Duration(3+r.IntN(2)) * day)
			if evening++; evening%5 == 0 {
				outage = 60 + r.IntN(400)
			}
		}
		for minute := range 24 * 60 {
			at := begin.Add(time.Duration(minute) * time.Minute)
			if running && minute < 9*60 && !(minute >= outage && minute < outage+7 && outage > 0) {
				x := ingest.Batch{Engine: "quillet", Node: "cab", Received: at}
				for i := range 12 {
					t := at.Add(time.Duration(i)*5*time.Second + time.Duration(r.IntN(20_000))*time.Microsecond)
					x.Samples = append(x.Samples, telemetry.Sample{Channel: telemetry.BoilerPressure, At: t, Value: reading(r, 0, minute*60+i*5), Quality: telemetry.Good})
				}
				bs = append(bs, x)
			}
			bs = append(bs, ingest.Batch{Node: "wall", Received: at, Samples: []telemetry.Sample{
				{Channel: telemetry.AmbientTemp, At: at, Value: reading(r, 1, minute*60), Quality: telemetry.Good},
			}})
		}
		write(bs)
	}
	return noon.Add(3 * 365 * day)
}

// BenchmarkYears sums up from three years to a minute, of what is measured in the
// evenings and of what is measured all the time.
func BenchmarkYears(b *testing.B) {
	path := filepath.Join(b.TempDir(), "s.db")
	s := opened(b, path)
	defer s.Close()
	end := years(b, s)
	b.Logf("3 years: %d MB", size(b, s, path)>>20)
	day := 24 * time.Hour
	for _, c := range []struct {
		name   string
		span   time.Duration
		points int
	}{
		{"3years/1200", 3 * 365 * day, 1200},
		{"3years/5000", 3 * 365 * day, 5000},
		{"year/1200", 365 * day, 1200},
		{"270days/5000", 270 * day, 5000}, // widths of a little under 80 minutes, from sums of minutes
		{"65days/1200", 65 * day, 1200},
		{"week/1200", 7 * day, 1200},
		{"82h/5000", 82 * time.Hour, 5000}, // widths of a little under a minute, from samples
		{"19h/1200", 19 * time.Hour, 1200},
		{"evening/1200", 9 * time.Hour, 1200},
		{"minute/1200", time.Minute, 1200},
	} {
		for _, of := range []struct {
			name, engine string
			channel      telemetry.Channel
		}{{"evenings", "quillet", telemetry.BoilerPressure}, {"always", "", telemetry.AmbientTemp}} {
			b.Run(of.name+"/"+c.name, func(b *testing.B) {
				b.ReportAllocs()
				n := 0
				for b.Loop() {
					// Ends with the end of an evening, somewhere in the middle of the second year.
					to := end
					if c.span < 365*day {
						to = noon.Add(500*day + 9*time.Hour)
					}
					bs, err := s.Buckets(context.Background(), of.engine, of.channel, to.Add(-c.span), to, c.points)
					if err != nil {
						b.Fatal(err)
					}
					n = len(bs)
				}
				b.ReportMetric(float64(n), "buckets")
			})
		}
	}
}
