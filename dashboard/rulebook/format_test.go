package rulebook

import (
	"math"
	"testing"

	"ashlamp/rules/alarm"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
)

func TestFiguresAsPeopleReadThem(t *testing.T) {
	for _, c := range []struct {
		v          float64
		unit, want string
	}{
		{0.1, "bar", "0.1 bar"},
		{-0.1, "bar", "−0.1 bar"},
		{300, "s", "300 s (5 min)"},
		{90, "s", "90 s"},
		{120, "s", "120 s (2 min)"},
		{7200, "s", "7200 s (2 h)"},
		{86400, "s", "86400 s (24 h)"},
		{259200, "s", "259200 s (3 days)"},
		{150, "s", "150 s"},
		{0.5, "", "0.5"},
		{0.003, "bar", "0.003 bar"},
		{1.0 / 3, "K", "0.3333 K"},
		{0, "K", "0 K"},
		{2.5e-6, "", "2.5e−06"},
	} {
		if got := plainSpace(amount(c.v, c.unit)); got != c.want {
			t.Errorf("amount(%g, %q) = %q, want %q", c.v, c.unit, got, c.want)
		}
	}
}

func TestSpans(t *testing.T) {
	inf := math.Inf(1)
	s := showOf(telemetry.BoilerPressure)
	for _, c := range []struct {
		low, high float64
		want      string
	}{
		{-1e5, 16e5, "−1 to 16 bar"}, {-inf, inf, "no bound"}, {-inf, 1e5, "at most 1 bar"}, {0, inf, "at least 0 bar"},
	} {
		if got := plainSpace(s.span(c.low, c.high)); got != c.want {
			t.Errorf("span(%g, %g) = %q, want %q", c.low, c.high, got, c.want)
		}
	}
}

func TestEveryKnownChannelHasUnitsAndAnAge(t *testing.T) {
	for _, id := range known() {
		if s := showOf(id); s.by == 0 || s.unit == "" || s.apart == "" {
			t.Errorf("%s: shown as %+v", id, s)
		}
	}
	for id, want := range map[telemetry.Channel]limit.Key{
		telemetry.BoilerPressure: limit.FreshPressure, telemetry.ShellTop: limit.FreshTemperature,
		telemetry.TankLeft: limit.FreshTank, telemetry.AmbientCO: limit.FreshShed,
	} {
		if got := freshKey(id); got != want {
			t.Errorf("the samples of %s grow old by %q, want %q", id, got, want)
		}
	}
}

// The diagram of the standard, as rules/alarm tells it: each of its ways, and no way
// out of a state but those.
func TestTheMachineGoesTheWaysOfTheStandard(t *testing.T) {
	word := func(s alarm.State) string { return plain(s.String()) }
	all := []string{"shelved", "suppressed", "out of service"}
	want := map[alarm.State][]string{
		alarm.Normal:                 append([]string{word(alarm.Unacknowledged)}, all...),
		alarm.Unacknowledged:         append([]string{word(alarm.Acknowledged), word(alarm.ReturnedUnacknowledged)}, all...),
		alarm.Acknowledged:           append([]string{word(alarm.Normal), word(alarm.Unacknowledged)}, all...),
		alarm.ReturnedUnacknowledged: append([]string{word(alarm.Normal), word(alarm.Unacknowledged)}, all...),
		alarm.Shelved:                {word(alarm.Normal), word(alarm.Unacknowledged), "out of service"},
		alarm.Suppressed:             {word(alarm.Normal), word(alarm.Unacknowledged), "out of service"},
		alarm.OutOfService:           {word(alarm.Normal), word(alarm.Unacknowledged)},
	}
	got := map[string]map[string]bool{}
	for _, s := range states() {
		got[s.ID] = map[string]bool{}
		for _, m := range s.Moves {
			got[s.ID][m.To] = true
		}
		if s.Means == "" {
			t.Errorf("%s: says not what it is", s.ID)
		}
	}
	for s, ways := range want {
		have := got["alarm-"+s.String()]
		for _, to := range ways {
			if !have[to] {
				t.Errorf("from %s the page has no way to %s", s, to)
			}
		}
		if len(have) != len(ways) {
			t.Errorf("from %s: got %v, want %v", s, have, ways)
		}
	}
	for s := alarm.State(0); s == 0 || s.String() != alarm.State(0).String(); s++ {
		if _, ok := got["alarm-"+s.String()]; !ok {
			t.Errorf("the state %s is missing: add it to states", s)
		}
	}
}
