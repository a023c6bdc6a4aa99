package limit

import (
	"math"
	"strings"
	"testing"
)

// contract are the keys of the outside contract's table of limits, but for the
// shed's own.
var contract = []Key{
	"zero_band_bar", "zero_hold_s", "hold_s", "fresh_pressure_s", "fresh_temperature_s", "fresh_tank_s", "fresh_shed_s",
	"boiling_margin_k", "water_to_drop", "drop_min_bar", "drop_max_bar", "move_min_bar", "move_minutes",
	"blow_down_min_bar", "blow_down_max_bar", "fire_out_c", "house_firebox_c", "house_smokebox_c", "touch_c",
	"open_smokebox_c", "tank_empty", "housed_max_bar", "relit_k", "barrel_rh", "co_ppm",
	"rising_bar", "vacuum_bar", "unbalanced", "frost_c", "dew_margin_k", "cooling_k_per_h", "spread_k",
}

func TestEveryKeyOfTheContractIsThere(t *testing.T) {
	have := map[Key]bool{}
	for _, l := range Table() {
		have[l.Key] = true
	}
	for _, k := range contract {
		if !have[k] {
			t.Errorf("%s of the contract is not in the table", k)
		}
	}
}

func TestTable(t *testing.T) {
	seen := map[Key]bool{}
	for _, l := range Table() {
		if seen[l.Key] {
			t.Errorf("%s stands in the table twice", l.Key)
		}
		seen[l.Key] = true
		if l.Unit == "" || l.Meaning == "" || l.Source == "" {
			t.Errorf("%s: unit %q, meaning %q, source %q; want all three", l.Key, l.Unit, l.Meaning, l.Source)
		}
		if !(l.Min < l.Max) {
			t.Errorf("%s: from %g to %g, want the lower first", l.Key, l.Min, l.Max)
		}
		if !math.IsNaN(l.Default) && !(l.Default >= l.Min && l.Default <= l.Max) {
			t.Errorf("%s: default %g is outside %g to %g", l.Key, l.Default, l.Min, l.Max)
		}
	}
	if got := Table(); got[0].Key != ZeroBand || got[len(got)-1].Key != Spread {
		t.Errorf("the table goes from %s to %s, want it to begin with pressure and end with what only alarms need", got[0].Key, got[len(got)-1].Key)
	}
}

func TestDefaultsOfEveryBoilerAreAccepted(t *testing.T) {
	for _, working := range []float64{2.5, 7, 10, 16, 40} {
		for _, volume := range []float64{5, 100, 400, 5000} {
			s := Defaults(working, volume)
			for k, v := range s {
				if err := Check(k, v); err != nil {
					t.Errorf("working pressure %g bar, %g L: %v", working, volume, err)
				}
			}
			for _, k := range []Key{ZeroBand, BlowDownMin, BlowDownMax, RunDryWaiver, Cooling, Spread} {
				if v, ok := s[k]; ok {
					t.Errorf("%s has the default %g; only the owner can set it", k, v)
				}
			}
		}
	}
}

func TestFiguresOfTheContract(t *testing.T) {
	s := Defaults(10, 500)
	for _, tt := range []struct {
		key  Key
		want float64
	}{
		{ZeroHold, 300}, {Hold, 120}, {FreshPressure, 15}, {FreshTemperature, 60}, {FreshTank, 120}, {FreshShed, 900},
		{BoilingMargin, 3}, {WaterToDrop, 0.60}, {DropMin, 4}, {DropMax, 10}, {MoveMin, 3}, {MoveMinutes, 15},
		{FireOut, 400}, {HouseFirebox, 100}, {HouseSmokebox, 100}, {RestFirebox, 180}, {RestSmokebox, 180},
		{Touch, 43}, {OpenSmokebox, 120}, {TankEmpty, 0.03}, {HousedMax, 8}, {Relit, 30}, {BarrelRH, 40}, {CO, 20},
		{BlowDownBore, 20}, {Rising, 0.5}, {Vacuum, -0.10}, {Unbalanced, 0.10}, {Frost, 3}, {DewMargin, 1},
	} {
		if got := s.At(tt.key); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("%s = %g, want %g", tt.key, got, tt.want)
		}
	}
	if got := Defaults(5, 500).At(MoveMin); got != 2 {
		t.Errorf("steam to move at 5 bar working pressure: %g bar, want 2 at least", got)
	}
}

func TestCheck(t *testing.T) {
	for _, l := range Table() {
		for _, tt := range []struct {
			name string
			v    float64
			ok   bool
		}{
			{"least", l.Min, true}, {"most", l.Max, true}, {"between", (l.Min + l.Max) / 2, true},
			{"a step under", math.Nextafter(l.Min, math.Inf(-1)), false}, {"a step over", math.Nextafter(l.Max, math.Inf(1)), false},
			{"not a number", math.NaN(), false}, {"infinite", math.Inf(1), false},
		} {
			err := Check(l.Key, tt.v)
			if (err == nil) != tt.ok {
				t.Errorf("%s, %s: Check(%g) = %v, want accepted %v", l.Key, tt.name, tt.v, err, tt.ok)
			}
			if err != nil && !strings.Contains(err.Error(), l.Meaning) {
				t.Errorf("%s: %q does not say what the limit is", l.Key, err)
			}
		}
	}
	if err := Check("zero_band", 0.05); err == nil || !strings.Contains(err.Error(), "zero_band_bar") {
		t.Errorf("Check of an unknown key: %v, want an error that names the known ones", err)
	}
}

func TestAnAbsentLimitIsNoNumber(t *testing.T) {
	for _, s := range []Set{nil, {}, {Hold: 1}} {
		if got := s.At(ZeroHold); !math.IsNaN(got) {
			t.Errorf("%v has %g for %s, want NaN", s, got, ZeroHold)
		}
	}
}
