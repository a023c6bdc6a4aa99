package health_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/rules/engine"
	"ashlamp/rules/health"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

var start = time.Date(2031, 5, 4, 17, 0, 0, 0, time.UTC)

func quillet(ids ...telemetry.Channel) engine.Engine {
	e := engine.Engine{ID: "quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true, LayUp: telemetry.Dry,
		EmptiedBy: engine.Empty, Limits: limit.Defaults(10, 400), Channels: map[telemetry.Channel]engine.Channel{}}
	for _, id := range ids {
		e.Channels[id] = engine.Channel{ID: id, Uncertainty: engine.DefaultUncertainty(id, math.NaN()), Low: math.NaN(), High: math.NaN()}
	}
	return e
}

func monitor(t testing.TB, ids ...telemetry.Channel) *health.Monitor {
	t.Helper()
	m, err := health.New(quillet(ids...))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func add(m *health.Monitor, c telemetry.Channel, s, v float64) telemetry.Sample {
	at := start.Add(time.Duration(s * 1e9))
	return m.Add(telemetry.Sample{Channel: c, At: at, Value: v, Quality: telemetry.Good}, track.Of(at))
}

func kinds(m *health.Monitor, s float64) string {
	var out []string
	for _, f := range m.Findings(track.Of(start).Add(s), nil) {
		out = append(out, string(f.Channel)+f.Node+" "+f.Kind.String())
	}
	return strings.Join(out, ", ")
}

func TestOneSampleAtATime(t *testing.T) {
	p, l, co := telemetry.BoilerPressure, telemetry.BoilerLevel, telemetry.AmbientCO
	for _, c := range []struct {
		name    string
		channel telemetry.Channel
		values  []float64 // two seconds apart
		want    string    // the quality of each: good, uncertain, bad
	}{
		{"a steady value", p, []float64{3e5, 3e5, 3e5}, "ggg"},
		{"a fall as fast as a boiler that is opened", p, []float64{3e5, 0.5e5, 0}, "ggg"},
		{"one spike is doubted, and what follows is not", p, []float64{3e5, 3e5, 9e5, 3e5, 3e5}, "ggugg"},
		{"a spike to nothing", p, []float64{8e5, 8e5, 0, 8e5}, "ggug"},
		{"two spikes in different places", p, []float64{3e5, 9e5, 14e5, 3e5}, "guug"},
		{"a jump that is borne out is true after all", p, []float64{3e5, 9e5, 9e5, 9e5}, "gugg"},
		{"below absolute vacuum", p, []float64{-1.2e5}, "b"},
		{"not a number", p, []float64{math.NaN(), math.Inf(1), 3e5}, "bbg"},
		{"a glass over its top", l, []float64{0.9, 1.3}, "gb"},
		{"a glass in percent", l, []float64{55, 56}, "bb"},
		{"carbon monoxide is believed however fast it rises", co, []float64{2e-6, 2e-4, 9e-4}, "ggg"},
		{"a barometer in hPa", telemetry.AmbientPressure, []float64{1013}, "b"},
		{"a channel that the contract does not have", "bearing.left", []float64{20, 4000, -7}, "ggg"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := monitor(t, c.channel)
			got := ""
			for i, v := range c.values {
				s := add(m, c.channel, float64(2*i), v)
				got += s.Quality.String()[:1]
				if (s.Quality == telemetry.Good) != (s.Reason == "") {
					t.Errorf("%v is %s with the reason %q", v, s.Quality, s.Reason)
				}
			}
			if got != c.want {
				t.Errorf("qualities of %v: %s, want %s; %s", c.values, got, c.want, kinds(m, 10))
			}
		})
	}
}

// A quality is only ever lowered.
func TestWhatIsNotGoodStaysSo(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure)
	for _, q := range []telemetry.Quality{telemetry.Bad, telemetry.Uncertain} {
		s := telemetry.Sample{Channel: telemetry.BoilerPressure, At: start, Value: 3e5, Quality: q, Reason: "said so"}
		if got := m.Add(s, track.Of(start)); got != s {
			t.Errorf("%v came back as %v", s, got)
		}
	}
}

// A transducer at zero repeats its value for hours while the shell cools.
func TestAQuietTransducerAtZeroIsNotFrozen(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.AmbientTemp)
	for s := 0.0; s < 6*3600; s += 5 {
		cool := 15 + 115*math.Exp(-s/14000)
		add(m, telemetry.ShellTop, s, cool+0.06*math.Sin(s))
		add(m, telemetry.ShellBottom, s, cool+1+0.06*math.Cos(s))
		add(m, telemetry.AmbientTemp, s, 15)
		if got := add(m, telemetry.BoilerPressure, s, 1200); got.Quality != telemetry.Good {
			t.Fatalf("after %.0f min it is %s: %s", s/60, got.Quality, got.Reason)
		}
	}
	if k := kinds(m, 6*3600); k != "" {
		t.Errorf("found %s, want nothing", k)
	}
}

// The same transducer, stuck a little under half a bar, is found once the shell has cooled by
// more than both uncertainties.
func TestAStuckTransducerIsFrozen(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.AmbientTemp)
	at := math.NaN()
	for s := 0.0; s < 3600 && math.IsNaN(at); s += 5 {
		add(m, telemetry.ShellTop, s, 130-s/60)
		add(m, telemetry.ShellBottom, s, 130-s/60)
		if got := add(m, telemetry.BoilerPressure, s, 48000); got.Quality != telemetry.Good {
			at = s
			if !strings.Contains(got.Reason, "has not changed") || !strings.Contains(got.Reason, "Look at") {
				t.Errorf("reason %q, want what is the matter and what to do", got.Reason)
			}
		}
	}
	if !(at > 5*60 && at < 12*60) {
		t.Errorf("found after %.0f s, want 5 to 12 min: by then the shell has fallen by 5 to 12 K", at)
	}
	if got := add(m, telemetry.BoilerPressure, at+5, 49000); got.Quality != telemetry.Good {
		t.Errorf("it moves again and is still %s: %s", got.Quality, got.Reason)
	}
}

func TestTimeAlone(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.Firebox, telemetry.BoilerHumidity)
	add(m, telemetry.BoilerPressure, 0, 3e5)
	now := track.Of(start)
	if n := m.Next(now); n != now.Add(15) {
		t.Errorf("next is after %v s, want 15", n.Sub(now))
	}
	for _, c := range []struct {
		s    float64
		want string
	}{
		{14.9, ""},
		{15, "boiler.pressure stale, engine node-silent"},
		{599, "boiler.pressure stale, engine node-silent"},
		// Declared, never heard; the sensor in the barrel only comes with open plugs.
		{600, "boiler.pressure stale, firebox stale, engine node-silent"},
		{1e6, "boiler.pressure stale, firebox stale, engine node-silent"},
	} {
		if got := kinds(m, c.s); got != c.want {
			t.Errorf("after %v s: %q, want %q", c.s, got, c.want)
		}
	}
}

func TestClocks(t *testing.T) {
	at := func(m *health.Monitor, received, says float64) telemetry.Sample {
		return m.Add(telemetry.Sample{Channel: telemetry.Firebox, At: start.Add(time.Duration(says * 1e9)), Value: 300, Quality: telemetry.Good}, track.Of(start).Add(received))
	}
	m := monitor(t, telemetry.Firebox)
	if s := at(m, 0, 5); s.Quality != telemetry.Good {
		t.Errorf("5 s ahead is %s", s.Quality)
	}
	if s := at(m, 10, 15.1); s.Quality != telemetry.Bad || s.Reason != "clock ahead" {
		t.Errorf("5.1 s ahead is %s, %q", s.Quality, s.Reason)
	}
	if k := kinds(m, 11); k != "engine clock-ahead" {
		t.Errorf("found %q", k)
	}
	if k := kinds(m, 60+600); strings.Contains(k, "clock") {
		t.Errorf("found %q ten minutes later", k)
	}

	m = monitor(t, telemetry.Firebox)
	// A backlog of an hour, sent within half a minute, is none.
	for s := 0.0; s < 3600; s += 5 {
		at(m, 3600+s/120, s)
	}
	at(m, 3631, 3630)
	if k := kinds(m, 3700); strings.Contains(k, "clock") {
		t.Errorf("a backlog is found as %q", k)
	}
	for s := 0.0; s < 120; s += 5 {
		at(m, 4000+s, 3900+s)
	}
	if k := kinds(m, 4120); k != "engine clock-behind" {
		t.Errorf("100 s behind for 2 min: %q", k)
	}
	at(m, 4125, 4125)
	if k := kinds(m, 4126); k != "" {
		t.Errorf("set right: %q", k)
	}
}

func TestRenewForgets(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.ShellTop, telemetry.BoilerLevel)
	for s := 0.0; s < 900; s += 5 {
		add(m, telemetry.BoilerLevel, s, 0.6+0.002*math.Sin(s))
		add(m, telemetry.BoilerPressure, s, 8+0.2*math.Sin(s)) // bar as pascal
		add(m, telemetry.ShellTop, s, 174+0.1*math.Sin(s))
	}
	if k := kinds(m, 900); !strings.Contains(k, "boiler.pressure other-unit") {
		t.Fatalf("bar sent as pascal: found %q", k)
	}
	m.Renew()
	if k := kinds(m, 900); k != "" {
		t.Errorf("after renewal: %q", k)
	}
}

func TestSentencesSayWhatToDo(t *testing.T) {
	m := monitor(t, telemetry.BoilerPressure, telemetry.AmbientPressure)
	add(m, telemetry.AmbientPressure, 0, 1013)
	for _, f := range m.Findings(track.Of(start).Add(1e5), nil) {
		if !strings.HasSuffix(f.Text, ".") || strings.Count(f.Text, ".") < 1 || f.Since == 0 {
			t.Errorf("%s of %s: %q since %v", f.Kind, f.Channel, f.Text, f.Since)
		}
		for _, no := range []string{"safe", "you may"} {
			if strings.Contains(strings.ToLower(f.Text), no) {
				t.Errorf("%q says %q", f.Text, no)
			}
		}
	}
}

// A reading that jumps to nothing and back must not restart what it would restart.
func ExampleMonitor_Add() {
	e := quillet(telemetry.BoilerPressure)
	m, err := health.New(e)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, v := range []float64{800e3, 800e3, 0, 800e3} {
		at := start.Add(time.Duration(i) * 2 * time.Second)
		s := m.Add(telemetry.Sample{Channel: telemetry.BoilerPressure, At: at, Value: v, Quality: telemetry.Good}, track.Of(at))
		fmt.Println(strings.TrimSpace(fmt.Sprintln(s.Value/1e5, "bar", s.Quality, s.Reason)))
	}
	// Output:
	// 8 bar good
	// 8 bar good
	// 0 bar uncertain jumped faster than it can
	// 8 bar good
}

func BenchmarkAdd(b *testing.B) {
	m := monitor(b, telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe, telemetry.BoilerLevel)
	ids := []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.Smokebox, telemetry.BlowdownPipe, telemetry.BoilerLevel}
	values := []float64{8e5, 175, 175, 300, 200, 20, 0.6}
	at := track.Of(start)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		k := i % len(ids)
		if k == 0 {
			at = at.Add(5)
		}
		m.Add(telemetry.Sample{Channel: ids[k], At: at.Time(), Value: values[k] * (1 + 1e-4*float64(i%5)), Quality: telemetry.Good}, at)
	}
}

// The instrument in the barrel is put in when the plugs come out.
func TestABarrelInstrumentThatIsNotInIsNoFault(t *testing.T) {
	m := monitor(t, telemetry.BoilerHumidity, telemetry.ShellTop)
	for s := 0.0; s < 3600; s += 30 {
		m.Add(telemetry.Lost(telemetry.BoilerHumidity, track.Of(start).Add(s).Time(), "loop current at or below 3.6 mA"), track.Of(start).Add(s))
		add(m, telemetry.ShellTop, s, 150-s/600)
	}
	if k := kinds(m, 3600); k != "" {
		t.Errorf("found %s, want nothing", k)
	}
}
