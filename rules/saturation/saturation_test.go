package saturation

import (
	"math"
	"testing"

	"ashlamp/rules/steam"
	"ashlamp/rules/track"
)

const (
	t0  = track.Instant(1_935_586_800_000_000)
	air = 101325.0
)

func pair(t *testing.T, s, bar, offK float64) Pair {
	t.Helper()
	ts, err := steam.SaturationTemperature(bar*1e5 + air)
	if err != nil {
		t.Fatal(err)
	}
	return Pair{At: t0.Add(s), Gauge: bar * 1e5, UPressure: 4000, Ambient: air, Shell: ts + offK, UShell: 2.5, Air: 15}
}

// stretch is a time over which pressure goes from one value to another with the
// shell so many kelvin off the line.
type stretch struct {
	from, to, offK, overS, stepS float64
	emptying                     bool
}

func TestFollowing(t *testing.T) {
	for _, tt := range []struct {
		name       string
		stretches  []stretch
		seen, void bool
	}{
		{"nothing seen", nil, false, false},
		{"together for 5 min over half a bar", []stretch{{from: 6.6, to: 6, overS: 305, stepS: 5}}, true, false},
		{"a pair short of 5 min", []stretch{{from: 6.6, to: 6, overS: 295, stepS: 5}}, false, false},
		{"over less than half a bar", []stretch{{from: 6.49, to: 6, overS: 3600, stepS: 5}}, false, false},
		{"a transducer that stands still while the shell passes it", []stretch{{from: 6, to: 6, offK: 8, overS: 300, stepS: 5}, {from: 6, to: 6, offK: -8, overS: 300, stepS: 5}}, false, false},
		{"under half a bar gauge", []stretch{{from: 0.49, to: 0.01, overS: 3600, stepS: 5}}, false, false},
		{"within lag, contact and uncertainty", []stretch{{from: 6.6, to: 6, offK: -7, overS: 600, stepS: 5}}, true, false},
		{"beyond them for 2 min", []stretch{{from: 6.6, to: 6, overS: 600, stepS: 5}, {from: 6, to: 6, offK: 20, overS: 130, stepS: 5}}, false, true},
		{"beyond them for less", []stretch{{from: 6.6, to: 6, overS: 600, stepS: 5}, {from: 6, to: 6, offK: 20, overS: 110, stepS: 5}}, true, false},
		{"a transducer at zero under a hot shell", []stretch{{from: 6.6, to: 6, overS: 600, stepS: 5}, {from: 0, to: 0, offK: 40, overS: 300, stepS: 5}}, false, true},
		{"dry steel has no reason to follow", []stretch{{from: 6.6, to: 6, overS: 600, stepS: 5}, {from: 0, to: 0, offK: 40, overS: 300, stepS: 5, emptying: true}}, true, false},
		{"parted, and together again", []stretch{{from: 6.6, to: 6, offK: 20, overS: 300, stepS: 5}, {from: 6.6, to: 6, overS: 305, stepS: 5}}, true, false},
		{"pairs too far apart count for nothing", []stretch{{from: 6.6, to: 6, overS: 6000, stepS: 61}}, false, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var f Follow
			now := 0.0
			for _, st := range tt.stretches {
				for s := 0.0; s <= st.overS; s += st.stepS {
					f.Next(pair(t, now, st.from+(st.to-st.from)*s/st.overS, st.offK), !st.emptying)
					now += st.stepS
				}
			}
			if got := f.Seen(); got != tt.seen {
				t.Errorf("seen to follow is %v, want %v", got, tt.seen)
			}
			if byK, got := f.Void(); got != tt.void {
				t.Errorf("parted company is %v, by %.0f K; want %v", got, byK, tt.void)
			}
		})
	}
}

func TestAPairThatIsNoPairChangesNothing(t *testing.T) {
	for name, edit := range map[string]func(p *Pair){
		"pressure not a number":    func(p *Pair) { p.Gauge = math.NaN() },
		"below the triple point":   func(p *Pair) { p.Gauge = -air },
		"beyond the formulation":   func(p *Pair) { p.Gauge = 1e9 },
		"uncertainty not a number": func(p *Pair) { p.UPressure = math.NaN() },
	} {
		var f Follow
		p := pair(t, 0, 6, 0)
		edit(&p)
		f.Next(p, true)
		if f != (Follow{}) {
			t.Errorf("%s: %+v, want nothing seen", name, f)
		}
	}
	var f Follow
	for s := 0.0; s < 900; s += 5 {
		p := pair(t, s, 6.6-s/900, 0)
		p.UShell = math.NaN()
		f.Next(p, true)
	}
	if f.Seen() {
		t.Error("seen to follow a shell whose uncertainty is not known")
	}
}

func TestTolerance(t *testing.T) {
	p := pair(t, 0, 6, 0)
	ts, tol, err := p.Tolerance()
	if err != nil {
		t.Fatal(err)
	}
	// At 6 bar gauge: 165.0 °C (IF97); 2.5 + 2 % of 150 + 3 + 4000 Pa at 0.23 K/kPa·10.
	if math.Abs(ts-165.0) > 0.1 || math.Abs(tol-8.74) > 0.1 {
		t.Errorf("saturation %.2f °C ± %.2f K, want 165.0 ± 8.7", ts, tol)
	}
	p.Air = 400 // hotter than the shell: no contact error the other way
	if _, less, _ := p.Tolerance(); !(less < tol && less > p.UShell+LagK) {
		t.Errorf("tolerance %.2f K in hot air, want between %.2f and %.2f", less, p.UShell+LagK, tol)
	}
}
