package disposal

import (
	"math"
	"testing"

	"ashlamp/rules/track"
)

const t0 = track.Instant(1_935_586_800_000_000)

var unknown = Facts{GaugeBar: math.NaN(), FireboxC: math.NaN()}

func with(edit func(f *Facts)) Facts {
	f := unknown
	edit(&f)
	return f
}

func TestPhases(t *testing.T) {
	begin := func(d *Disposal) { d.Begin(t0) }
	for _, tt := range []struct {
		name  string
		do    func(d *Disposal)
		facts Facts
		at    float64
		want  Phase
	}{
		{"nothing known", nil, unknown, 0, LaidUp},
		{"nothing said, steam seen", nil, with(func(f *Facts) { f.GaugeBar = SteamBar }), 0, InSteam},
		{"nothing said, a little less", nil, with(func(f *Facts) { f.GaugeBar = SteamBar - 1e-9 }), 0, LaidUp},
		{"nothing said, a fire seen", nil, with(func(f *Facts) { f.FireboxC = 400 }), 0, InSteam},
		{"begun", begin, unknown, 0, InSteam},
		{"fire dropped", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt = true, t0 }), 60, FireDropped},
		{"half an hour later, pressure gone", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.GaugeBar = true, t0, 0.5 }), CoolingAfterS, Cooling},
		{"a microsecond before", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.GaugeBar = true, t0, 0.5 }), CoolingAfterS - 1e-6, FireDropped},
		{"half an hour later, in steam", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.GaugeBar = true, t0, 3 }), CoolingAfterS, FireDropped},
		{"half an hour later, pressure not known", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt = true, t0 }), CoolingAfterS, FireDropped},
		{"running", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.Running = true, t0, true }), 3600, BlowingDown},
		{"run out", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.Fell, f.Gone = true, t0, true, true }), 3600, Emptied},
		{"pipe fallen, water in the glass", begin, with(func(f *Facts) { f.FireOut, f.DroppedAt, f.Fell = true, t0, true }), 3600, FireDropped},
		{"plugs out", begin, with(func(f *Facts) { f.Fell, f.Gone, f.PlugsRemoved = true, true, true }), 3600, Cooling},
		{"housed", func(d *Disposal) { d.Begin(t0); d.House(t0) }, with(func(f *Facts) { f.PlugsRemoved = true }), 60, Housed},
		{"half an hour after", func(d *Disposal) { d.Begin(t0); d.House(t0); d.Expire(t0.Add(AfterHousedS)) }, unknown, AfterHousedS, LaidUp},
		{"laid up, and steam seen: nobody said so", func(d *Disposal) { d.Begin(t0); d.House(t0); d.Expire(t0.Add(AfterHousedS)) }, with(func(f *Facts) { f.GaugeBar = 5 }), 9000, LaidUp},
		{"lit", func(d *Disposal) { d.Light(t0) }, unknown, 0, LightingUp},
		{"lit, and steam raised", func(d *Disposal) { d.Light(t0) }, with(func(f *Facts) { f.GaugeBar = 2 }), 0, InSteam},
	} {
		var d Disposal
		if tt.do != nil {
			tt.do(&d)
		}
		d.Judge(t0.Add(tt.at), tt.facts)
		if got := d.Phase(); got != tt.want {
			t.Errorf("%s: phase %s, want %s", tt.name, got, tt.want)
		}
	}
}

func TestBeginAndEnd(t *testing.T) {
	var d Disposal
	if d.House(t0) {
		t.Error("housed with no disposal open")
	}
	if d.Begin(t0) {
		t.Error("the first begin superseded something")
	}
	if begun, open := d.Open(); !open || begun != t0 {
		t.Errorf("open %v since %d, want true since %d", open, begun, t0)
	}
	if !d.House(t0.Add(60)) || d.House(t0.Add(90)) {
		t.Error("housed: want the first word alone to count")
	}
	if got, want := d.EndsAt(), t0.Add(60+AfterHousedS); got != want {
		t.Errorf("ends at %d, want %d", got, want)
	}
	if !d.Begin(t0.Add(120)) {
		t.Error("a begin while one is open does not supersede it")
	}
	if _, housed := d.HousedAt(); housed || d.EndsAt() != track.Never {
		t.Error("the new one is housed already")
	}
	d.House(t0.Add(200))
	ends := d.EndsAt()
	if d.Expire(ends - 1) {
		t.Error("ended a microsecond early")
	}
	if !d.Expire(ends) || d.Expire(ends) {
		t.Error("want it to end at its time, once")
	}
	if begun, ended := d.Last(); begun != t0.Add(120) || ended != ends {
		t.Errorf("the last one was from %d to %d, want %d to %d", begun, ended, t0.Add(120), ends)
	}
	if d.Light(ends.Add(60)) {
		t.Error("a fire lit in lay-up ended a disposal")
	}
	d.Begin(ends.Add(120))
	if !d.Light(ends.Add(180)) {
		t.Error("a fire lit did not end the open disposal")
	}
	if _, open := d.Open(); open {
		t.Error("open after a fire was lit")
	}
}

// TestNextIsWhenThePhaseChanges: judged at Next and a microsecond before, the
// phase differs.
func TestNextIsWhenThePhaseChanges(t *testing.T) {
	var d Disposal
	d.Begin(t0)
	f := with(func(f *Facts) { f.FireOut, f.DroppedAt, f.GaugeBar = true, t0.Add(60), 0.2 })
	next := d.Next(t0.Add(70), f)
	d.Judge(next-1, f)
	before := d.Phase()
	d.Judge(next, f)
	if before != FireDropped || d.Phase() != Cooling {
		t.Errorf("at %g s: %s, then %s; want %s, then %s", next.Sub(t0), before, d.Phase(), FireDropped, Cooling)
	}
	if got := d.Next(next, f); got != track.Never {
		t.Errorf("next again at %g s, want never", got.Sub(t0))
	}
	d.House(next)
	if got := d.Next(next, f); got != next.Add(AfterHousedS) {
		t.Errorf("next after housing at %g s, want %g", got.Sub(t0), next.Add(AfterHousedS).Sub(t0))
	}
}
