package layup_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/disposal"
	"ashlamp/rules/layup"
	"ashlamp/rules/moistair"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

var (
	start = time.Date(2031, 10, 26, 18, 0, 0, 0, time.UTC)
	t0    = track.Of(start)
	nan   = math.NaN()
)

func TestAdvise(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name   string
		in     time.Duration
		lowest float64
		want   telemetry.LayUp
		says   string
	}{
		{"tomorrow", day, 10, telemetry.Short, "with its water"},
		{"today", 0, 10, telemetry.Short, "with its water"},
		{"tomorrow, and nobody knows how cold", day, nan, telemetry.Short, "how cold"},
		{"tomorrow, with frost", day, 3, telemetry.Dry, "frost"},
		{"tomorrow, a step above frost", day, 3.1, telemetry.Short, "with its water"},
		{"three days", 3 * day, 10, telemetry.Short, "with its water"},
		{"a step over three days", 3*day + time.Minute, 10, telemetry.Dry, "right up"},
		{"a week with frost", 7 * day, -2, telemetry.Dry, "look into it"},
		{"two weeks", 14 * day, 10, telemetry.Dry, "right up"},
		{"two months", 60 * day, 10, telemetry.Dry, "dry and airy"},
		{"a winter", 151 * day, -10, telemetry.Dry, "drying agent"},
		{"yesterday", -day, 10, "", "past"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := layup.Advise(layup.Plan{Now: start, Next: start.Add(c.in), LowestC: c.lowest, FrostC: 3})
			if a.LayUp != c.want || !strings.Contains(a.Text, c.says) {
				t.Errorf("got %q: %s; want %q and %q", a.LayUp, a.Text, c.want, c.says)
			}
		})
	}
	if a := layup.Advise(layup.Plan{Now: start}); a.LayUp != "" || !math.IsNaN(a.Days) || a.Text == "" {
		t.Errorf("without a date: %+v", a)
	}
}

func TestBands(t *testing.T) {
	for _, c := range []struct {
		rh   float64
		want layup.Dampness
	}{
		{nan, layup.NotKnown}, {-1, layup.NotKnown}, {0, layup.Good}, {39.9, layup.Good}, {40, layup.Watch}, {59.9, layup.Watch},
		{60, layup.Act}, {80, layup.Act}, {80.1, layup.Wet}, {140, layup.Wet},
	} {
		if got := layup.Band(c.rh); got != c.want {
			t.Errorf("%v %%RH is %q, want %q", c.rh, got, c.want)
		}
	}
}

// Values computed with the Magnus form in the reference on practice: warm steel is dry
// steel; they print whole per cents, and that form errs by 0.3 %.
func TestAirAtTheSteel(t *testing.T) {
	for _, c := range []struct{ air, rh, metal, want float64 }{{10, 95, 13, 78}, {10, 95, 15, 68}, {10, 95, 20, 50}} {
		s, err := layup.Air{TemperatureC: c.air, HumidityPercent: c.rh, MetalC: c.metal}.At()
		if err != nil || math.Abs(s.AtSteel-c.want) > 0.8 {
			t.Errorf("air of %v °C, %v %%RH at steel of %v °C: %.2f %%RH, %v; want %v", c.air, c.rh, c.metal, s.AtSteel, err, c.want)
		}
	}
	for _, c := range []struct{ air, rh, dew float64 }{{10, 80, 6.7}, {10, 90, 8.4}, {15, 70, 9.6}, {5, 85, 2.7}} {
		s, err := layup.Air{TemperatureC: c.air, HumidityPercent: c.rh, MetalC: c.air}.At()
		if err != nil || math.Abs(s.DewC-c.dew) > 0.06 || math.Abs(s.MarginK-(c.air-s.DewC)) > 1e-9 {
			t.Errorf("dew point of %v °C, %v %%RH: %.2f, %v; want %v", c.air, c.rh, s.DewC, err, c.dew)
		}
	}
	var out *moistair.RangeError
	for _, a := range []layup.Air{{10, nan, 10}, {nan, 50, 10}, {10, 50, nan}, {10, 0, 10}, {10, 101, 10}, {300, 50, 10}} {
		if s, err := a.At(); !errors.As(err, &out) {
			t.Errorf("%+v gives %+v, %v; want an error", a, s, err)
		}
	}
}

func TestHoursOfDamp(t *testing.T) {
	var h layup.Hours
	if d := h.Damp(); !math.IsNaN(d.WorstRH) || d.WatchedS != 0 {
		t.Errorf("nothing counted: %+v", d)
	}
	add := func(min float64, a layup.Air) {
		t.Helper()
		if err := h.Add(t0.Add(60*min), a, 1); err != nil {
			t.Fatal(err)
		}
	}
	damp := layup.Air{TemperatureC: 10, HumidityPercent: 95, MetalC: 9.5} // 98 %RH at the steel, 0.3 K over the dew point
	dry := layup.Air{TemperatureC: 10, HumidityPercent: 60, MetalC: 12}
	wet := layup.Air{TemperatureC: 10, HumidityPercent: 85, MetalC: 10} // 85 %RH, 2.4 K over
	ice := layup.Air{TemperatureC: -3, HumidityPercent: 95, MetalC: -3}
	add(0, damp)
	add(20, damp)
	add(30, dry)   // 30 min of damp
	add(50, wet)   // 20 of dry
	add(60, ice)   // 10 of wet without risk
	add(70, dry)   // 10 of frozen: no wetness, but risk
	add(200, damp) // nobody looked
	want := layup.Damp{WatchedS: 70 * 60, UnknownS: 130 * 60, WetS: 40 * 60, RiskS: 40 * 60}
	got := h.Damp()
	worst := got.WorstRH
	got.WorstRH = 0
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if !(worst > 97 && worst < 99) {
		t.Errorf("worst %v, want 98", worst)
	}
	if err := h.Add(t0.Add(60*201), layup.Air{TemperatureC: nan}, 1); err == nil || h.Damp().WatchedS != want.WatchedS {
		t.Errorf("air that is none: %v, %+v", err, h.Damp())
	}
	add(100, dry) // older than the last
	if h.Damp().WatchedS != want.WatchedS {
		t.Errorf("an older reading was counted: %+v", h.Damp())
	}
	if _, ok := h.Now(t0.Add(60*230 + 1)); ok {
		t.Error("a state from half an hour ago is told as now")
	}
}

func TestDrying(t *testing.T) {
	// feed gives a reading every five minutes; rh is of the hour.
	feed := func(hours float64, rh func(h float64) float64) (layup.Drying, track.Instant) {
		var d layup.Drying
		d.PlugsOut(t0)
		at := t0
		for h := 0.0; h <= hours; h += 1.0 / 12 {
			at = t0.Add(h * 3600)
			if err := d.Add(at, layup.Air{TemperatureC: 15, HumidityPercent: rh(h), MetalC: 15}); err != nil {
				t.Fatal(err)
			}
		}
		return d, at
	}
	for _, c := range []struct {
		name   string
		hours  float64
		rh     func(h float64) float64
		perH   float64
		end    float64 // hours from now; NaN for none
		why    string
		within float64
	}{
		{"a straight line", 12, func(h float64) float64 { return 90 - h }, -1, 38, "", 0.3},
		{"as far ahead as ten days", 20, func(h float64) float64 { return 90 - 0.13*h }, -0.13, nan, "more than ten days", 0.01},
		{"too short", 5, func(h float64) float64 { return 90 - h }, nan, nan, "too short", 0},
		{"it is there", 12, func(h float64) float64 { return 45 - h }, -1, nan, "it is there", 0.05},
		{"not drying", 12, func(h float64) float64 { return 90 + 0.1*h }, 0.1, nan, "not drying", 0.05},
		{"standing still", 12, func(float64) float64 { return 70 }, 0, nan, "not drying", 1e-6},
		{"up and down with the day", 24, func(h float64) float64 { return 75 + 10*math.Cos(2*math.Pi*h/24) - 0.2*h }, nan, nan, "up and down", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, now := feed(c.hours, c.rh)
			p := d.At(now, 40)
			if !math.IsNaN(c.perH) && !(math.Abs(p.PerHour-c.perH) <= c.within) {
				t.Errorf("rate %v %%RH/h, want %v", p.PerHour, c.perH)
			}
			end := nan
			if p.End != 0 {
				end = p.End.Sub(now) / 3600
			}
			if math.IsNaN(c.end) != math.IsNaN(end) || math.Abs(end-c.end) > 1 {
				t.Errorf("end in %v h, want %v", end, c.end)
			}
			if !strings.Contains(p.Why, c.why) || (p.Why == "") != (p.End != 0) {
				t.Errorf("says %q, want %q", p.Why, c.why)
			}
		})
	}
	d, now := feed(12, func(h float64) float64 { return 90 - h })
	if p := d.At(now.Add(layup.GapS+1), 40); !math.IsNaN(p.AtSteel) || p.End != 0 || p.Why == "" {
		t.Errorf("nothing heard for half an hour: %+v", p)
	}
	if p := d.At(now, nan); p.End != 0 {
		t.Errorf("without a limit there is an end: %+v", p)
	}
	d.PlugsOut(now)
	if p := d.At(now, 40); p.End != 0 || !math.IsNaN(p.PerHour) {
		t.Errorf("the plugs were put back and came out again: %+v", p)
	}
	var none layup.Drying
	if p := none.At(t0, 40); !math.IsNaN(p.AtSteel) || p.Why == "" {
		t.Errorf("nothing heard: %+v", p)
	}
	if err := none.Add(t0, layup.Air{TemperatureC: 15, HumidityPercent: nan, MetalC: 15}); err == nil {
		t.Error("air that is none was taken")
	}
}

func ids(rs []layup.Reminder, before string) string {
	var out []string
	for _, r := range rs {
		if r.Before == before {
			out = append(out, r.ID)
		}
	}
	return strings.Join(out, " ")
}

func TestReminders(t *testing.T) {
	day := 24 * 3600.0
	rest := func(edit ...func(*layup.Resting)) layup.Resting {
		r := layup.Resting{Phase: disposal.LaidUp, LayUp: telemetry.Dry, Since: t0, SmokeboxAjar: true, AshCleared: true}
		for _, f := range edit {
			f(&r)
		}
		return r
	}
	lay := func(l telemetry.LayUp) func(*layup.Resting) { return func(r *layup.Resting) { r.LayUp = l } }
	for _, c := range []struct {
		name         string
		r            layup.Resting
		days         float64
		due, morning string
	}{
		{"all done", rest(), 1, "", ""},
		{"nobody spoke of ash and char", rest(func(r *layup.Resting) { r.AshCleared, r.SmokeboxAjar = false, false }), 0, "ash-pan smokebox-door", ""},
		{"left with its water: the door may stay shut", rest(lay(telemetry.Short), func(r *layup.Resting) { r.SmokeboxAjar = false }), 1, "", ""},
		{"plugs out", rest(func(r *layup.Resting) { r.PlugsRemoved = true }), 1, "", "plugs-back"},
		{"plugs out and lighting up", rest(func(r *layup.Resting) { r.PlugsRemoved, r.Phase = true, disposal.LightingUp }), 1, "", "plugs-back"},
		{"open and dry for a fortnight", rest(func(r *layup.Resting) { r.PlugsRemoved = true }), 14, "look", "plugs-back"},
		{"open and dry, looked into yesterday", rest(func(r *layup.Resting) { r.PlugsRemoved, r.LookedAt = true, t0.Add(13*day) }), 14, "", "plugs-back"},
		{"closed and dry for 60 days", rest(), 60, "", ""},
		{"closed and dry for 61 days", rest(), 61, "look", ""},
		{"wet for 30 days", rest(lay(telemetry.Wet)), 30, "look", ""},
		{"left with its water for 3 days", rest(lay(telemetry.Short)), 3, "look", ""},
		{"in steam", rest(func(r *layup.Resting) { r.Phase, r.AshCleared = disposal.InSteam, false }), 90, "", ""},
		{"repairs and a tag", rest(func(r *layup.Resting) { r.Repairs, r.Tag = []string{"left gauge cock weeps", "lagging"}, "silica gel" }), 1, "", "take-out repair-1 repair-2"},
		{"wet and losing water", rest(lay(telemetry.Wet), func(r *layup.Resting) { r.LevelKnown, r.LevelAtFirst, r.Level = true, 1, 0.94 }), 1, "level", ""},
		{"wet and losing little", rest(lay(telemetry.Wet), func(r *layup.Resting) { r.LevelKnown, r.LevelAtFirst, r.Level = true, 1, 0.96 }), 1, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := layup.Reminders(c.r, t0.Add(c.days*day))
			if ids(got, "") != c.due || ids(got, layup.BeforeLighting) != c.morning {
				t.Errorf("due %q, before lighting %q; want %q, %q", ids(got, ""), ids(got, layup.BeforeLighting), c.due, c.morning)
			}
			for _, r := range got {
				if r.Text == "" || r.Due == 0 {
					t.Errorf("%+v says nothing or is never due", r)
				}
			}
		})
	}
}

func TestFrostMargin(t *testing.T) {
	if got := layup.FrostMargin(5, 1, 3); got != 1 {
		t.Errorf("5 ± 1 °C over 3: %v, want 1", got)
	}
	for _, u := range []float64{nan, -1} {
		if got := layup.FrostMargin(5, u, 3); !math.IsNaN(got) {
			t.Errorf("uncertainty %v: %v, want none", u, got)
		}
	}
}

func ExampleAdvise() {
	next := start.Add(20 * 24 * time.Hour)
	fmt.Println(layup.Advise(layup.Plan{Now: start, Next: next, LowestC: -4, FrostC: 3}).LayUp)
	// Output: dry
}

// Damp air of 10 °C does not wet steel that is 10 K warmer.
func ExampleAir_At() {
	s, err := layup.Air{TemperatureC: 10, HumidityPercent: 95, MetalC: 20}.At()
	fmt.Printf("%.0f %%RH at the steel: %s, %v\n", s.AtSteel, s.Band, err)
	// Output: 50 %RH at the steel: watch, <nil>
}
