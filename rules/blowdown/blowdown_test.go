package blowdown

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ashlamp/rules/track"
)

const (
	t0      = track.Instant(1_935_586_800_000_000)
	air     = 101325.0
	boiling = 99.97
)

func boiler() Boiler {
	return Boiler{VolumeL: 400, BoreMM: 18, UPipe: 2.5, ULevel: 0.02, PipeFreshS: 60, LevelFreshS: 60}
}

// rig tells a run of pipe, glass and pressure every so many seconds.
type rig struct {
	*Run
	now, step        float64
	pipe, level, bar float64
	noPipe, noLevel  bool
	untilGone        bool // the cocks are shut as the glass shows nothing
	events           []Event
}

func newRig() *rig {
	return &rig{Run: New(boiler()), step: 5, pipe: 30, level: 0.7, bar: 3}
}

func (r *rig) note(e Event) {
	if e != Nothing {
		r.events = append(r.events, e)
	}
}

// over tells for so many seconds, each of the three going in a line to where it
// is to be.
func (r *rig) over(seconds, pipe, level, bar float64) {
	p0, l0, b0 := r.pipe, r.level, r.bar
	for s := r.step; s <= seconds; s += r.step {
		if _, gone := r.Gone(); gone && r.untilGone {
			return
		}
		k := s / seconds
		r.now += r.step
		r.pipe, r.level, r.bar = p0+(pipe-p0)*k, l0+(level-l0)*k, b0+(bar-b0)*k
		if !r.noPipe {
			r.note(r.Pipe(t0.Add(r.now), r.pipe, boiling, r.bar*1e5, air))
		}
		if !r.noLevel {
			r.note(r.Level(t0.Add(r.now), r.level))
		}
	}
}

func (r *rig) has(e Event) bool {
	for _, got := range r.events {
		if got == e {
			return true
		}
	}
	return false
}

// opened lets the boiler stand with its cocks shut, then opens them.
func (r *rig) opened() {
	r.over(120, 30, 0.7, 3)
	r.pipe = 101
}

func TestRun(t *testing.T) {
	for _, tt := range []struct {
		name                      string
		do                        func(r *rig)
		began, fell, gone, enough bool
	}{
		{"nothing opened", func(r *rig) { r.over(1200, 30, 0.7, 3) }, false, false, false, false},
		{"run out and cooled", func(r *rig) { r.opened(); r.over(180, 101, 0, 2); r.over(400, 101, 0, 0); r.over(300, 50, 0, 0) }, true, true, true, true},
		{"still running", func(r *rig) { r.opened(); r.over(180, 101, 0, 2); r.over(400, 101, 0, 0) }, true, false, true, true},
		{"pipe only warm", func(r *rig) { r.opened(); r.pipe = 80; r.over(180, 80, 0, 2); r.over(600, 40, 0, 0) }, false, false, true, false},
		{"pipe at the edge of running", func(r *rig) {
			r.opened()
			r.pipe = boiling - RunningK + 2.5
			r.over(180, r.pipe, 0, 2)
		}, true, false, true, false},
		{"a hair under it", func(r *rig) {
			r.opened()
			r.pipe = boiling - RunningK + 2.4999
			r.over(180, r.pipe, 0, 2)
		}, false, false, true, false},
		{"a hot pipe and a steady glass", func(r *rig) { r.opened(); r.over(3600, 101, 0.7, 3) }, false, false, false, false},
		{"a hot pipe and a glass that shrank by less than it can tell", func(r *rig) { r.opened(); r.over(600, 101, 0.59, 3) }, false, false, false, false},
		{"the glass empties as the pipe is cold", func(r *rig) { r.over(180, 30, 0, 3); r.over(1200, 101, 0, 3) }, false, false, true, false},
		{"cock shut with the glass just empty", func(r *rig) { r.opened(); r.over(60, 101, 0, 2.5); r.over(120, 40, 0, 2.5) }, true, true, true, false},
		{"pipe cooled by 29 K", func(r *rig) { r.opened(); r.over(180, 101, 0, 2); r.over(400, 101, 0, 0); r.over(300, 72.1, 0, 0) }, true, false, true, true},
		{"pipe cooled, then hot again", func(r *rig) {
			r.opened()
			r.over(180, 101, 0, 2)
			r.over(400, 101, 0, 0)
			r.over(300, 50, 0, 0)
			r.over(60, 66, 0, 0)
		}, true, false, true, true},
		{"pressure not known: nothing is credited", func(r *rig) {
			r.opened()
			r.bar = math.NaN()
			r.over(180, 101, 0, math.NaN())
			r.over(900, 101, 0, math.NaN())
		}, true, false, true, false},
		{"a vacuum holds the water back", func(r *rig) {
			r.opened()
			r.bar = -0.3
			r.over(180, 101, 0, -0.3)
			r.over(3600, 101, 0, -0.3)
		}, true, false, true, false},
		{"the pipe silent while the glass empties", func(r *rig) {
			r.opened()
			r.over(20, 101, 0.7, 3)
			r.noPipe = true
			r.over(65, 101, 0.7, 3)
			r.over(180, 101, 0, 2)
			r.noPipe = false
			r.over(900, 101, 0, 2)
		}, false, false, true, false},
		{"the glass silent while it empties", func(r *rig) {
			r.opened()
			r.over(20, 101, 0.7, 3)
			r.noLevel = true
			r.over(180, 101, 0, 2)
			r.noLevel = false
			r.over(900, 101, 0, 2)
		}, false, false, true, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig()
			tt.do(r)
			_, began := r.Began()
			_, fell := r.Fell()
			_, gone := r.Gone()
			if began != tt.began || fell != tt.fell || gone != tt.gone || r.Enough() != tt.enough {
				held, credited := r.Mass()
				t.Errorf("began %v, fell %v, gone %v, enough %v (%.0f of %.0f kg); want %v, %v, %v, %v",
					began, fell, gone, r.Enough(), credited, held, tt.began, tt.fell, tt.gone, tt.enough)
			}
		})
	}
}

func TestWaterThatComesBackIsTold(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(r *rig)
		want bool
	}{
		{"after a blow-down", func(r *rig) { r.opened(); r.over(180, 101, 0, 2); r.over(400, 50, 0, 0); r.over(60, 50, 0.3, 0) }, true},
		{"after it was drained cold", func(r *rig) { r.over(600, 30, 0, 0); r.over(600, 30, 0.5, 0) }, true},
		{"a slow trickle", func(r *rig) { r.over(600, 30, 0, 0); r.over(36000, 30, 0.2, 0) }, true},
		{"within what the glass can tell", func(r *rig) { r.over(600, 30, 0, 0); r.over(600, 30, 0.099, 0) }, false},
		{"a glass that never emptied", func(r *rig) { r.over(600, 30, 0.06, 0); r.over(600, 30, 0.9, 0) }, false},
		{"while nobody heard of the glass", func(r *rig) {
			r.over(600, 30, 0, 0)
			r.noLevel = true
			r.over(3600, 30, 0.8, 0)
			r.noLevel = false
			r.over(10, 30, 0.8, 0)
		}, true},
	} {
		r := newRig()
		tt.do(r)
		if got := r.has(WaterBack); got != tt.want {
			t.Errorf("%s: told %v, want %v", tt.name, got, tt.want)
		}
		if _, began := r.Began(); tt.want && began {
			t.Errorf("%s: still counts as run out", tt.name)
		}
	}
}

// TestAGlassThatEmptiedBeforeThePipeToldIsHeldAgainstItsOwnFall: a small boiler's glass
// may be empty before the couple on the pipe has warmed. What ran after that is no part of
// what the glass is to bear out.
func TestAGlassThatEmptiedBeforeThePipeToldIsHeldAgainstItsOwnFall(t *testing.T) {
	b := boiler()
	b.VolumeL = 120
	r := &rig{Run: New(b), step: 2, pipe: 30, level: 0.3, bar: 3}
	r.over(20, 30, 0.3, 3)
	r.over(4, 30, 0, 3)  // the cocks are opened: the glass goes at once
	r.over(10, 30, 0, 3) // and the pipe has not told of it
	r.pipe = 101
	r.over(40, 101, 0, 2)
	r.over(60, 40, 0, 0)
	if held, credited := r.Mass(); credited < 0.9*(r.passed-r.goneKg) || !r.Enough() {
		t.Errorf("credited %.0f of %.0f kg, %.0f passed while the pipe ran; want all of it", credited, held, r.passed)
	}
}

func TestResetForgetsAll(t *testing.T) {
	r := newRig()
	r.opened()
	r.over(180, 101, 0, 2)
	r.over(400, 50, 0, 0)
	r.Reset()
	if want := New(boiler()); *r.Run != *want {
		t.Errorf("after Reset %+v, want %+v", *r.Run, *want)
	}
	if held, credited := New(Boiler{}).Mass(); held != 0 || credited != 0 {
		t.Errorf("a boiler of nothing holds %g kg, %g run out; want none", held, credited)
	}
	r = &rig{Run: New(Boiler{VolumeL: 400, BoreMM: math.NaN(), PipeFreshS: 60, LevelFreshS: 60}), step: 5, level: 0.7, bar: 3}
	r.opened()
	r.over(180, 101, 0, 2)
	r.over(3600, 101, 0, 2)
	if r.Enough() {
		t.Error("enough through cocks of unknown bore")
	}
}

// TestAnEmptyGlassAloneIsNeverHalfTheWater: however full it was and however slowly
// or fast it fell, at whatever pressure, with whatever cocks.
func TestAnEmptyGlassAloneIsNeverHalfTheWater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := boiler()
		b.VolumeL = rapid.Float64Range(5, 20000).Draw(t, "volume")
		b.BoreMM = rapid.Float64Range(4, 80).Draw(t, "bore")
		b.ULevel = rapid.Float64Range(0.005, 0.08).Draw(t, "uncertainty of the glass")
		r := &rig{Run: New(b), step: 5}
		r.pipe, r.level, r.bar = 30, rapid.Float64Range(0.15, 1.18).Draw(t, "level"), rapid.Float64Range(-0.2, 16).Draw(t, "bar")
		r.over(r.step*3, 30, r.level, r.bar)
		r.pipe = 101
		if rapid.Bool().Draw(t, "hot before the cocks are opened") {
			r.step = 30
			r.over(rapid.Float64Range(60, 3600).Draw(t, "for"), 101, r.level, r.bar)
		}
		falls := rapid.IntRange(1, 4).Draw(t, "falls")
		for n := range falls {
			to := r.level * float64(falls-n-1) / float64(falls)
			r.untilGone = true
			over := math.Pow(10, rapid.Float64Range(0, 3.7).Draw(t, "log s"))
			r.step = math.Max(rapid.SampledFrom([]float64{0.5, 1, 5, 10, 30, 60}).Draw(t, "step"), over/100)
			r.over(over, 101, to, rapid.Float64Range(-0.2, 16).Draw(t, "bar then"))
		}
		// Shut: the pipe cools, and with it the credit ends.
		r.pipe, r.untilGone = 60, false
		r.over(600, 30, r.level, r.bar)
		if held, credited := r.Mass(); r.Enough() {
			t.Fatalf("credited %.0f of %.0f kg with an emptied glass alone", credited, held)
		}
	})
}

// TestAGapNeverCountsAsRunning: what is credited is at most what passes in the
// time between samples that are no further apart than the pipe's limit.
func TestAGapNeverCountsAsRunning(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := New(boiler())
		var watched float64
		now, last := t0, t0
		wasHot, first := false, true
		for range rapid.IntRange(1, 100).Draw(t, "samples") {
			now = now.Add(rapid.SampledFrom([]float64{1, 5, 59, 60, 60.1, 300, 86400}).Draw(t, "step"))
			hot := rapid.IntRange(0, 3).Draw(t, "hot") > 0
			tC := 40.0
			if hot {
				tC = 101
			}
			r.Pipe(now, tC, boiling, 3e5, air)
			if hot && wasHot && !first && now.Sub(last) <= 60 {
				watched += now.Sub(last)
			}
			wasHot, last, first = hot, now, false
			if math.Abs(r.RanS()-watched) > 1e-3 {
				t.Fatalf("ran %g s, watched for %g", r.RanS(), watched)
			}
		}
	})
}
