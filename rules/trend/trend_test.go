package trend_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ashlamp/rules/cooldown"
	"ashlamp/rules/trend"
)

// table reads a published table, its columns by name.
func table(t *testing.T, name string) (rows []map[string]float64) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all[1:] {
		row := map[string]float64{}
		for i, cell := range r {
			if row[all[0][i]], err = strconv.ParseFloat(cell, 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// TestPublishedSeries: the flow of the Nile, by figures worked out another way; nine
// digits are given.
func TestPublishedSeries(t *testing.T) {
	flow := map[int]float64{}
	for _, r := range table(t, "nile_aswan.csv") {
		flow[int(r["year"])] = r["flow_1e8_m3"]
	}
	checks := table(t, "trend_checks.csv")
	if len(flow) != 100 || len(checks) != 4 {
		t.Fatalf("%d years and %d rows, want 100 and 4", len(flow), len(checks))
	}
	for _, want := range checks {
		var x, years []float64
		for y := int(want["from"]); y <= int(want["to"]); y++ {
			x, years = append(x, flow[y]), append(years, float64(y))
		}
		c, ok := trend.Pettitt(x)
		d, okD := trend.MannKendall(x)
		if !ok || !okD {
			t.Fatalf("%v: no answer", want)
		}
		slope := trend.TheilSen(years, x, d.Variance)
		shift := trend.Shift(x[:c.After], x[c.After:])
		for name, got := range map[string]float64{
			"pettitt_after": float64(c.After), "pettitt_k": c.K, "pettitt_p": c.P,
			"mk_s": d.S, "mk_variance": d.Variance, "mk_z": d.Z, "mk_p": d.P,
			"sen": slope.Value, "sen_lo": slope.Lo, "sen_hi": slope.Hi,
			"shift": shift.Value, "shift_lo": shift.Lo, "shift_hi": shift.Hi,
		} {
			if !(math.Abs(got-want[name]) <= 1e-8*math.Abs(want[name])) {
				t.Errorf("%g to %g: %s = %.9g, want %.9g", want["from"], want["to"], name, got, want[name])
			}
		}
	}
}

func TestNoAnswerToNothing(t *testing.T) {
	nan := math.NaN()
	for _, x := range [][]float64{nil, {1}, {1, nan, 3}, {1, 2, math.Inf(1)}} {
		if c, ok := trend.Pettitt(x); ok {
			t.Errorf("Pettitt of %v is %+v, want none", x, c)
		}
		if d, ok := trend.MannKendall(x); ok {
			t.Errorf("MannKendall of %v is %+v, want none", x, d)
		}
	}
	if d, ok := trend.MannKendall([]float64{2, 2, 2, 2}); ok {
		t.Errorf("MannKendall of equal values is %+v, want none", d)
	}
	if e := trend.Shift(nil, []float64{1}); !math.IsNaN(e.Value) {
		t.Errorf("a shift from nothing is %+v", e)
	}
	if e := trend.TheilSen([]float64{1, 1}, []float64{1, 2}, 1); !math.IsNaN(e.Value) {
		t.Errorf("a slope over no time is %+v", e)
	}
	series, found := trend.Find(nil, nil)
	if len(found) != 0 || len(series) != len(trend.Quantities()) {
		t.Errorf("of no evenings: %v, %d series", found, len(series))
	}
}

// around are values that lie evenly about a level, at most part of it away, in an order
// that is no trend.
func around(level, part float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = level * (1 + part*(2*math.Mod(0.5+float64(i+1)*0.6180339887498949, 1)-1))
	}
	return out
}

func only(t *testing.T, found []trend.Finding, quantity string) trend.Finding {
	t.Helper()
	if len(found) != 1 || found[0].Quantity != quantity {
		t.Fatalf("found %+v, want one of %s", found, quantity)
	}
	return found[0]
}

func says(t *testing.T, f trend.Finding, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(f.Text, w) {
			t.Errorf("%q does not say %q", f.Text, w)
		}
	}
	if never := regexp.MustCompile(`\bsafe\b|all clear|you may|NaN`).FindString(f.Text); never != "" {
		t.Errorf("%q says %q", f.Text, never)
	}
}

func TestLaggingInASentence(t *testing.T) {
	x := slices.Concat(around(0.041, 0.05, 12), around(0.052, 0.05, 9))
	_, found := trend.Find(evenings(x), nil)
	f := only(t, found, trend.HeatLoss)
	if f.Kind != trend.Step || f.EveningsBefore != 12 || f.EveningsAfter != 9 || !f.Since.Equal(first.AddDate(0, 0, 21*12)) {
		t.Errorf("found %+v, want a step after twelve evenings", f)
	}
	if !(f.Change.Lo < 0.011 && 0.011 < f.Change.Hi && f.Change.Lo > 0.008) {
		t.Errorf("the change is %+v, want about 0.011 per hour", f.Change)
	}
	says(t, f, "Since 8 November 2029 the boiler loses heat 2", " % faster than before (0.052 per hour, before 0.041; 9 and 12 evenings): is the lagging damaged or wet?")
}

func TestMendedIsNoQuestionOfDamage(t *testing.T) {
	x := slices.Concat(around(0.052, 0.05, 12), around(0.041, 0.05, 9))
	_, found := trend.Find(evenings(x), nil)
	says(t, only(t, found, trend.HeatLoss), "more slowly than before", "was it mended, or a sensor changed?")
}

// TestBrokenAndMended: what was mended is told beside what was found before.
func TestBrokenAndMended(t *testing.T) {
	x := slices.Concat(around(0.040, 0.04, 14), around(0.052, 0.04, 12), around(0.041, 0.04, 12))
	_, found := trend.Find(evenings(x), nil)
	if len(found) != 2 || found[0].EveningsBefore != 14 || found[1].EveningsBefore != 12 {
		t.Fatalf("found %+v, want a step after 14 and another after 12 more", found)
	}
}

func TestADrift(t *testing.T) {
	x := around(0.040, 0.03, 40)
	for i := range x {
		x[i] += 0.0004 * float64(i)
	}
	_, found := trend.Find(evenings(x), nil)
	f := only(t, found, trend.HeatLoss)
	perYear := 0.0004 * 365.25 / 21
	if f.Kind != trend.Slope || math.Abs(f.Change.Value-perYear) > 0.0005 || !(f.Change.Lo < perYear && perYear < f.Change.Hi) {
		t.Errorf("found %+v, want a drift of %.5f a year", f, perYear)
	}
	says(t, f, "From 1 March 2029 to", "faster with each year", "40 evenings", "is the lagging damaged or wet?")
}

// TestAPassingValve: what is lost at high pressure alone is no lagging.
func TestAPassingValve(t *testing.T) {
	list := evenings(slices.Concat(around(0.040, 0.03, 12), around(0.048, 0.03, 12)))
	for i, v := range slices.Concat(around(1.05, 0.03, 12), around(1.50, 0.03, 12)) {
		list[i].HeatLossLow = &cooldown.Rate{Value: 0.04}
		list[i].HeatLossHigh = &cooldown.Rate{Value: 0.04 * v}
		list[i].FallAt100K = &cooldown.Rate{Value: 100 * list[i].HeatLoss.Value}
	}
	_, found := trend.Find(list, nil)
	if len(found) != 2 || found[0].Quantity != trend.WithPressure || found[1].Quantity != trend.HeatLoss {
		t.Fatalf("found %+v, want the loss with pressure, then the loss", found)
	}
	says(t, found[0], "faster at high pressure", "(1.50, before 1.05; 12 and 12 evenings): does a cock or the safety valve pass steam?")
	says(t, found[1], "look at cocks and the safety valve before the lagging.")
	if strings.Contains(found[1].Text, "damaged") {
		t.Errorf("%q suspects the lagging first", found[1].Text)
	}
}

func TestOtherQuantities(t *testing.T) {
	for _, tt := range []struct {
		quantity string
		set      func(s *cooldown.Summary, v float64)
		from, to float64
		want     string
	}{
		{trend.FireboxConstant, func(s *cooldown.Summary, v float64) { s.FireboxTimeConstant = &cooldown.Rate{Value: v} }, 1.1, 1.5, "scale on its plates"},
		{trend.PressureLag, func(s *cooldown.Summary, v float64) { s.PressureLag = &cooldown.Rate{Value: v} }, -30, 5, "35 s later than before"},
		{trend.PressureLag, func(s *cooldown.Summary, v float64) { s.PressureLag = &cooldown.Rate{Value: v} }, 2, 40, "is the transducer slow"},
		{trend.ShellConstant, func(s *cooldown.Summary, v float64) { s.ShellTimeConstant = &cooldown.Rate{Value: v} }, 7, 5, "is the lagging damaged or wet"},
		{trend.FallAt100K, func(s *cooldown.Summary, v float64) { s.FallAt100K = &cooldown.Rate{Value: v} }, 4, 5, "25 % faster than before"},
		{trend.TankDrain, func(s *cooldown.Summary, v float64) { s.TankDrainS = &v }, 400, 700, "choked?"},
	} {
		list := make([]cooldown.Summary, 20)
		for i, v := range slices.Concat(around(tt.from, 0.04, 10), around(tt.to, 0.04, 10)) {
			list[i] = cooldown.Summary{Engine: "quillet", Begun: first.AddDate(0, 0, 21*i)}
			tt.set(&list[i], v)
		}
		_, found := trend.Find(list, nil)
		says(t, only(t, found, tt.quantity), tt.want)
	}
}

// TestAtTheEdge: a step smaller than the least, and evenings too few, are not told.
func TestAtTheEdge(t *testing.T) {
	for _, tt := range []struct {
		name          string
		before, after int
		step          float64
		found         bool
	}{
		{"under the least change", 20, 20, 1.095, false},
		{"over it", 20, 20, 1.105, true},
		{"nine evenings", 5, 4, 1.5, false},
		{"five after", 30, 5, 1.5, false},
		{"nine after", 30, 9, 1.5, true},
	} {
		x := slices.Concat(around(0.04, 0.01, tt.before), around(0.04*tt.step, 0.01, tt.after))
		if _, found := trend.Find(evenings(x), nil); (len(found) > 0) != tt.found {
			t.Errorf("%s: found %+v, want %v", tt.name, found, tt.found)
		}
	}
}

// TestOrderAndRepetition: what is handed over twice, or out of order, changes nothing.
func TestOrderAndRepetition(t *testing.T) {
	x := slices.Concat(around(0.041, 0.05, 12), around(0.052, 0.05, 9))
	_, want := trend.Find(evenings(x), nil)
	list := slices.Concat(evenings(x), evenings(x))
	rng := rand.New(rand.NewPCG(1, 1))
	rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	_, got := trend.Find(list, nil)
	if len(got) != 1 || got[0] != want[0] {
		t.Errorf("shuffled and doubled: %+v, want %+v", got, want)
	}
}
