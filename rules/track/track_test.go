package track

import (
	"math"
	"sort"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/rules/telemetry"
)

const (
	ch    = telemetry.Firebox
	fresh = 15.0
	t0    = Instant(1_935_586_800_000_000) // 2031-05-03
)

func good(s, v float64) telemetry.Sample {
	return telemetry.Sample{Channel: ch, At: t0.Add(s).Time(), Value: v, Quality: telemetry.Good}
}

func bad(s float64) telemetry.Sample { return telemetry.Lost(ch, t0.Add(s).Time(), "bus error") }

func TestInstantKeepsWholeMicroseconds(t *testing.T) {
	for _, tt := range []struct {
		name string
		in   time.Time
		want Instant
	}{
		{"the epoch", time.Unix(0, 0), 0},
		{"a microsecond before it", time.Unix(0, -1000), -1},
		{"nanoseconds are cut", time.Unix(1, 1999), 1_000_001},
		{"the zero time", time.Time{}, -62_135_596_800_000_000},
	} {
		if got := Of(tt.in); got != tt.want {
			t.Errorf("%s: Of(%s) = %d, want %d", tt.name, tt.in, got, tt.want)
		}
		if got := Of(tt.want.Time()); got != tt.want {
			t.Errorf("%s: there and back is %d, want %d", tt.name, got, tt.want)
		}
	}
}

func TestAdd(t *testing.T) {
	for _, tt := range []struct {
		name string
		i    Instant
		s    float64
		want Instant
	}{
		{"nothing", 5, 0, 5},
		{"a microsecond", 5, 1e-6, 6},
		{"less than half of one", 5, 0.4e-6, 5},
		{"back", 5, -1e-6, 4},
		{"NaN is never reached", 5, math.NaN(), Never},
		{"nor is infinity", 5, math.Inf(1), Never},
		{"nor what overflows", Never - 5, 1, Never},
	} {
		if got := tt.i.Add(tt.s); got != tt.want {
			t.Errorf("%s: %d.Add(%g) = %d, want %d", tt.name, tt.i, tt.s, got, tt.want)
		}
	}
}

func TestAdmission(t *testing.T) {
	for _, tt := range []struct {
		name   string
		before []telemetry.Sample
		s      telemetry.Sample
		want   Admission
		value  float64
	}{
		{"the first", nil, good(0, 1), Newest, 1},
		{"the same again", []telemetry.Sample{good(0, 1)}, good(0, 1), Repeated, 1},
		{"the same time, another value: the first stands", []telemetry.Sample{good(0, 1)}, good(0, 2), Conflicting, 1},
		{"the same time, first bad: the first stands", []telemetry.Sample{bad(0)}, good(0, 2), Conflicting, math.NaN()},
		{"a bad one again, NaN and all", []telemetry.Sample{bad(0)}, bad(0), Repeated, math.NaN()},
		{"a microsecond later", []telemetry.Sample{good(0, 1)}, good(1e-6, 2), Newest, 2},
		{"a microsecond earlier", []telemetry.Sample{good(0, 1)}, good(-1e-6, 2), Late, 1},
		{"good in name, but not a number", []telemetry.Sample{good(0, 1)}, good(5, math.NaN()), Newest, 1},
		{"good in name, but infinite", []telemetry.Sample{good(0, 1)}, good(5, math.Inf(-1)), Newest, 1},
		{"good, after a bad one from a clock ahead", []telemetry.Sample{good(0, 1), bad(9000)}, good(5, 2), Newest, 2},
		{"bad, before a bad one from a clock ahead", []telemetry.Sample{good(0, 1), bad(9000)}, bad(5), Late, 1},
		{"before 1970", nil, telemetry.Sample{At: time.Unix(-1e9, 0), Value: 3, Quality: telemetry.Good}, Newest, 3},
		{"without a time", nil, telemetry.Sample{Value: 3, Quality: telemetry.Good}, Newest, 3},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tr := New(ch, fresh)
			for _, s := range tt.before {
				tr.Add(s)
			}
			if got := tr.Add(tt.s); got != tt.want {
				t.Errorf("Add(%v) = %d, want %d", tt.s, got, tt.want)
			}
			_, v, ok := tr.Good()
			if want := !math.IsNaN(tt.value); ok != want || ok && v != tt.value {
				t.Errorf("newest good value is %g, %v; want %g", v, ok, tt.value)
			}
		})
	}
}

func TestARepeatIsKnownAsLongAsItMatters(t *testing.T) {
	tr := New(ch, fresh)
	const n = 3 * recentMax
	for i := range n {
		tr.Add(good(float64(i), 100))
	}
	if got := tr.Add(good(n-recentMax, 100)); got != Repeated {
		t.Errorf("the %dth sample back, again: %d, want Repeated", recentMax, got)
	}
	before, _ := tr.Thirds(120)
	for range 50 {
		tr.Add(good(n-recentMax-10, 900)) // long past: whether it is a repeat is not known
	}
	if after, _ := tr.Thirds(120); after != before {
		t.Errorf("the means are %v after a repeat that is no longer known as one, want %v as before", after, before)
	}
}

func TestFaultIsThatOfTheNewestSample(t *testing.T) {
	for _, tt := range []struct {
		name    string
		samples []telemetry.Sample
		want    string
	}{
		{"nothing heard", nil, ""},
		{"good", []telemetry.Sample{good(0, 1)}, ""},
		{"bad", []telemetry.Sample{good(0, 1), bad(1)}, "bus error"},
		{"mended", []telemetry.Sample{bad(1), good(2, 1)}, ""},
		{"mended, after a bad one from a clock ahead", []telemetry.Sample{bad(9000), good(2, 1)}, ""},
		{"a late bad one says nothing of now", []telemetry.Sample{good(2, 1), bad(1)}, ""},
		{"not a number", []telemetry.Sample{good(2, 1), good(3, math.NaN())}, "not a number"},
	} {
		tr := New(ch, fresh)
		for _, s := range tt.samples {
			tr.Add(s)
		}
		if got, ok := tr.Fault(); got != tt.want || ok != (tt.want != "") {
			t.Errorf("%s: fault %q, %v; want %q", tt.name, got, ok, tt.want)
		}
	}
}

func TestFreshEndsAtItsLimit(t *testing.T) {
	for _, tt := range []struct {
		name  string
		limit float64
		age   float64
		want  bool
	}{
		{"now", 15, 0, true},
		{"at the limit", 15, 15, true},
		{"a microsecond over", 15, 15.000001, false},
		{"of a clock a little ahead", 15, -5, true},
		{"a limit of a third of a second, at it", 1. / 3, 0.333333, true},
		{"and a microsecond over", 1. / 3, 0.333334, false},
		{"a limit that is not known", math.NaN(), 0, false},
		{"a limit below nothing", -1, 0, false},
		{"no limit at all", math.Inf(1), 1e8, true},
	} {
		tr := New(ch, tt.limit)
		tr.Add(good(0, 1))
		now := t0.Add(tt.age)
		if _, got := tr.Fresh(now); got != tt.want {
			t.Errorf("%s: fresh at %g s of %g is %v, want %v", tt.name, tt.age, tt.limit, got, tt.want)
		}
		if tt.limit >= 0 {
			stale := tr.StaleAt()
			_, before := tr.Fresh(stale - 1)
			_, after := tr.Fresh(stale)
			if !before || after {
				t.Errorf("%s: fresh just before StaleAt %v, at it %v; want true, false", tt.name, before, after)
			}
		}
	}
	if got := New(ch, 15).StaleAt(); got != Never {
		t.Errorf("StaleAt of nothing = %d, want Never", got)
	}
}

func TestHold(t *testing.T) {
	under := func(_ Instant, v float64) bool { return v < 100 }
	every := func(step, from, to, v float64) (out []telemetry.Sample) {
		for s := from; s <= to; s += step {
			out = append(out, good(s, v))
		}
		return out
	}
	for _, tt := range []struct {
		name    string
		samples []telemetry.Sample
		now     float64
		held    float64
		ok      bool
		reached float64 // of 60 s; NaN for never
	}{
		{"nothing heard", nil, 0, 0, false, math.NaN()},
		{"one sample holds nothing", []telemetry.Sample{good(0, 50)}, 10, 10, true, math.NaN()},
		{"two do", []telemetry.Sample{good(0, 50), good(5, 50)}, 10, 10, true, 60},
		{"time goes on between samples", every(5, 0, 60, 50), 62, 62, true, 60},
		{"one outside ends it", append(every(5, 0, 60, 50), good(65, 100)), 66, 0, false, math.NaN()},
		{"and it begins anew after", append(every(5, 0, 60, 50), good(65, 100), good(70, 50), good(75, 50)), 76, 6, true, 130},
		{"NaN is not good and ends nothing", append(every(5, 0, 60, 50), good(65, math.NaN()), good(70, 50)), 71, 71, true, 60},
		{"a bad one between ends nothing", append(every(5, 0, 60, 50), bad(65), good(70, 50)), 71, 71, true, 60},
		{"a gap begins it anew", append(every(5, 0, 60, 50), good(75.000001, 50), good(80, 50)), 80.000001, 5, true, 135.000001},
		{"no gap at the limit", append(every(5, 0, 60, 50), good(75, 50)), 80, 80, true, 60},
		{"silence ends it", every(5, 0, 60, 50), 75.000001, 0, false, 60},
		{"a late one inside changes nothing", append(every(5, 0, 60, 50), good(32, 50)), 61, 61, true, 60},
		{"a late one outside begins it anew at the newest", append(every(5, 0, 60, 50), good(32, 100)), 61, 1, true, math.NaN()},
		{"a late one before it changes nothing", append(every(5, 0, 60, 50), good(-3, 100)), 61, 61, true, 60},
		{"late ones fill a gap", append(every(5, 0, 20, 50), append(every(5, 60, 80, 50), every(5, 22, 58, 50)...)...), 80, 80, true, 60},
		{"late ones that leave a gap fill none", append(every(5, 0, 20, 50), append(every(5, 60, 80, 50), every(5, 22, 42, 50)...)...), 80, 20, true, 120},
		{"a late one outside in the gap keeps it", append(every(5, 0, 20, 50), append(every(5, 60, 80, 50), append(every(5, 22, 32, 50), append([]telemetry.Sample{good(36, 100)}, every(5, 37, 58, 50)...)...)...)...), 80, 20, true, 120},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tr := New(ch, fresh)
			h := tr.Hold(under)
			for _, s := range tt.samples {
				tr.Add(s)
			}
			if got, ok := h.Held(t0.Add(tt.now)); ok != tt.ok || math.Abs(got-tt.held) > 1e-9 {
				t.Errorf("held at %g s: %g, %v; want %g, %v", tt.now, got, ok, tt.held, tt.ok)
			}
			if got, want := h.Reached(60), t0.Add(tt.reached); got != want {
				t.Errorf("60 s reached %g s from the start, want %g", got.Sub(t0), tt.reached)
			}
		})
	}
	tr := New(ch, fresh)
	h := tr.Hold(under)
	tr.Add(good(0, 50))
	tr.Add(good(5, 50))
	if got := h.Reached(math.NaN()); got != Never {
		t.Errorf("a hold of NaN seconds is reached at %d, want Never", got)
	}
	h.Restart()
	if _, ok := h.Held(t0.Add(6)); ok {
		t.Error("held after Restart, want not")
	}
}

func TestThirdsAndExtremes(t *testing.T) {
	fill := func(tr *Track, from, to, step float64, f func(s float64) float64) {
		for s := from; s <= to; s += step {
			tr.Add(good(s, f(s)))
		}
	}
	line := func(s float64) float64 { return 1000 - s }
	t.Run("of a line", func(t *testing.T) {
		tr := New(ch, fresh)
		fill(tr, 0, 1800, 5, line)
		m, ok := tr.Thirds(300)
		if !ok || math.Abs(m[0]-m[1]-100) > 1e-9 || math.Abs(m[1]-m[2]-100) > 3 {
			t.Errorf("thirds %v, %v; want steps of about 100", m, ok)
		}
	})
	t.Run("a second short of the window", func(t *testing.T) {
		tr := New(ch, fresh)
		fill(tr, 0, 299, 1, line)
		if m, ok := tr.Thirds(300); ok {
			t.Errorf("thirds of 300 s after 299: %v, want none", m)
		}
		fill(tr, 300, 300, 1, line)
		if _, ok := tr.Thirds(300); !ok {
			t.Error("thirds of 300 s after 300: none, want some")
		}
	})
	t.Run("a gap within", func(t *testing.T) {
		tr := New(ch, fresh)
		fill(tr, 0, 1000, 5, line)
		fill(tr, 1016, 1300, 5, line)
		if m, ok := tr.Thirds(300); ok {
			t.Errorf("thirds across a gap: %v, want none", m)
		}
	})
	t.Run("windows that cannot be", func(t *testing.T) {
		tr := New(ch, fresh)
		fill(tr, 0, 20000, 5, line)
		for _, w := range []float64{math.NaN(), -1, 0, 29, binSeconds*binCount + 1, math.Inf(1)} {
			if m, ok := tr.Thirds(w); ok {
				t.Errorf("thirds of %g s: %v, want none", w, m)
			}
		}
		if _, ok := tr.Thirds(binSeconds * binCount); !ok {
			t.Error("thirds of the longest window: none, want some")
		}
	})
	t.Run("bins go round after a silence", func(t *testing.T) {
		for _, silence := range []float64{binSeconds*binCount - 10, binSeconds * binCount, binSeconds*binCount + 10, 5 * binSeconds * binCount} {
			tr := New(ch, fresh)
			fill(tr, 0, 3000, 5, func(float64) float64 { return 900 })
			fill(tr, 3000+silence, 3000+silence+300, 5, func(float64) float64 { return 20 })
			if m, ok := tr.Thirds(300); !ok || m != [3]float64{20, 20, 20} {
				t.Errorf("%g s of silence: thirds %v, %v; want 20 alone", silence, m, ok)
			}
			if lo, hi, ok := tr.Extremes(1800); !ok || lo != 20 || hi != 20 {
				t.Errorf("%g s of silence: extremes of the last half hour %g to %g, %v; want 20 alone", silence, lo, hi, ok)
			}
		}
	})
	t.Run("before 1970", func(t *testing.T) {
		tr := New(ch, fresh)
		for s := -3000.0; s <= 3000; s += 5 {
			tr.Add(telemetry.Sample{At: Instant(0).Add(s).Time(), Value: 7, Quality: telemetry.Good})
			if m, ok := tr.Thirds(300); ok && m != [3]float64{7, 7, 7} {
				t.Fatalf("at %g s: thirds %v, want 7 alone", s, m)
			}
		}
	})
	t.Run("nothing heard", func(t *testing.T) {
		tr := New(ch, fresh)
		if _, ok := tr.Thirds(300); ok {
			t.Error("thirds of nothing, want none")
		}
		if lo, hi, ok := tr.Extremes(300); ok || !math.IsNaN(lo) || !math.IsNaN(hi) {
			t.Errorf("extremes of nothing: %g, %g, %v; want NaN, NaN, false", lo, hi, ok)
		}
	})
}

// naive keeps every sample that was admitted, and looks at them all whenever asked.
type naive struct {
	all   []telemetry.Sample // that counted as newest and good
	late  []telemetry.Sample // good, out of order
	limit Instant
}

func (n *naive) add(s telemetry.Sample) {
	at := Of(s.At)
	for _, o := range append(n.all, n.late...) {
		if Of(o.At) == at {
			return
		}
	}
	if k := len(n.all); k > 0 && at < Of(n.all[k-1].At) {
		n.late = append(n.late, s)
		return
	}
	n.all = append(n.all, s)
}

// run returns the longest end of all, those that came late in their places, without a
// gap in which keep holds.
func (n *naive) run(keep func(v float64) bool) []telemetry.Sample {
	all := append(append([]telemetry.Sample(nil), n.all...), n.late...)
	sort.SliceStable(all, func(i, j int) bool { return all[i].At.Before(all[j].At) })
	i := len(all)
	for i > 0 && keep(all[i-1].Value) && (i == len(all) || Of(all[i].At)-Of(all[i-1].At) <= n.limit) {
		i--
	}
	return all[i:]
}

func (n *naive) thirds(window float64) (m [3]float64, ok bool) {
	run := n.run(func(float64) bool { return true })
	if len(run) == 0 || Of(run[len(run)-1].At).Sub(Of(run[0].At)) < window {
		return m, false
	}
	bins := int64(math.Ceil(window / 10))
	last := int64(Of(run[len(run)-1].At)) / 10e6
	var count [3]float64
	for _, s := range run {
		if back := last - int64(Of(s.At))/10e6; back < bins {
			third := (bins - 1 - back) * 3 / bins
			m[third] += s.Value
			count[third]++
		}
	}
	for k := range m {
		if count[k] == 0 {
			return m, false
		}
		m[k] /= count[k]
	}
	return m, true
}

// TestAgainstANaiveTrack: the same as if every sample were kept, and with samples
// out of order never more than they bear out.
func TestAgainstANaiveTrack(t *testing.T) {
	under := func(v float64) bool { return v < 100 }
	for _, ordered := range []bool{true, false} {
		rapid.Check(t, func(t *rapid.T) {
			tr, n := New(ch, fresh), &naive{limit: Instant(fresh * 1e6)}
			h := tr.Hold(func(_ Instant, v float64) bool { return under(v) })
			now := 0.0
			for range rapid.IntRange(1, 200).Draw(t, "samples") {
				now += rapid.SampledFrom([]float64{0, 0.5, 5, 5, 5, 5, 14.9, 15, 15.1, 600, 3000}).Draw(t, "step")
				at := now
				if !ordered && rapid.IntRange(0, 4).Draw(t, "late") == 0 {
					at -= rapid.Float64Range(0, 60).Draw(t, "by")
				}
				v := rapid.SampledFrom([]float64{20, 50, 99, 99, 99, 100, 400}).Draw(t, "value")
				tr.Add(good(at, v))
				n.add(good(at, v))

				newest := n.all[len(n.all)-1]
				if at, v, ok := tr.Good(); !ok || at != Of(newest.At) || v != newest.Value {
					t.Fatalf("newest good %g at %d, want %g at %d", v, at, newest.Value, Of(newest.At))
				}
				asked := t0.Add(now + rapid.SampledFrom([]float64{0, 1, 14.9, 15, 15.1}).Draw(t, "later"))
				if _, got := tr.Fresh(asked); got != (asked-Of(newest.At) <= n.limit) {
					t.Fatalf("fresh is %v %g s after the newest", got, asked.Sub(Of(newest.At)))
				}

				run := n.run(under)
				s, ok := h.Held(asked)
				if want := len(run) > 0 && asked-Of(newest.At) <= n.limit; ok != want {
					t.Fatalf("held is %v, want %v", ok, want)
				}
				if ok {
					most := asked.Sub(Of(run[0].At))
					for _, l := range n.late {
						if !under(l.Value) && Of(l.At) >= Of(run[0].At) {
							most = math.Min(most, asked.Sub(Of(l.At)))
						}
					}
					if s > most+1e-9 || ordered && s < most-1e-9 {
						t.Fatalf("held %g s, want %g", s, most)
					}
				}

				got, gotOK := tr.Thirds(60)
				want, wantOK := n.thirds(60)
				if gotOK != wantOK && (ordered || gotOK) {
					t.Fatalf("thirds %v, %v; want %v, %v", got, gotOK, want, wantOK)
				}
				for k := range got {
					if ordered && gotOK && math.Abs(got[k]-want[k]) > 1e-9 {
						t.Fatalf("thirds %v, want %v", got, want)
					}
				}
			}
		})
	}
}
