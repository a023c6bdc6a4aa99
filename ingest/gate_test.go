package ingest_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/rules/telemetry"
)

var now = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

func newGate(t testing.TB, log *slog.Logger) *ingest.Gate {
	t.Helper()
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	g, err := ingest.NewGate(ingest.GateConfig{Engines: []string{"quillet", "marrow"}, Counters: &ingest.Counters{}, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func sample(ch telemetry.Channel, v float64) telemetry.Sample {
	return telemetry.Sample{Channel: ch, At: now, Value: v, Quality: telemetry.Good}
}

func TestAdmit(t *testing.T) {
	at := func(d time.Duration) telemetry.Sample {
		s := sample(telemetry.Firebox, 5)
		s.At = now.Add(d)
		return s
	}
	for _, c := range []struct {
		name    string
		engine  string
		in      telemetry.Sample
		want    string // quality and reason; empty: refused
		trouble string
	}{
		{"as it should be", "quillet", sample(telemetry.Firebox, 412), "good ", ""},
		{"a channel of any name", "quillet", sample("steam.chest", -1e9), "good ", ""},
		{"of the shed", "", sample(telemetry.AmbientTemp, 12), "good ", ""},
		{"unknown engine", "thirlow", sample(telemetry.Firebox, 412), "", ingest.UnknownEngine},
		{"the shed's on an engine", "quillet", sample(telemetry.AmbientTemp, 12), "", ingest.WrongPlace},
		{"an engine's on the shed", "", sample(telemetry.Firebox, 412), "", ingest.WrongPlace},
		{"NaN", "quillet", sample(telemetry.Firebox, math.NaN()), "", ingest.NotFinite},
		{"infinity", "quillet", sample(telemetry.Firebox, math.Inf(-1)), "", ingest.NotFinite},
		{"bad without a number", "quillet", telemetry.Lost(telemetry.Firebox, now, "open thermocouple"), "bad open thermocouple", ""},
		{"absolute zero", "quillet", sample(telemetry.Firebox, -273.15), "good ", ""},
		{"below absolute zero", "quillet", sample(telemetry.Firebox, -273.16), "bad absurd: -273.16 Cel is outside -273.15 to 1800", ingest.Absurd},
		{"hottest", "quillet", sample(telemetry.Firebox, 1800), "good ", ""},
		{"hotter", "quillet", sample(telemetry.Firebox, 1800.1), "bad absurd: 1800.1 Cel is outside -273.15 to 1800", ingest.Absurd},
		{"half a glass above", "quillet", sample(telemetry.BoilerLevel, 1.5), "good ", ""},
		{"more", "quillet", sample(telemetry.BoilerLevel, 1.51), "bad absurd: 1.51 / is outside -0.5 to 1.5", ingest.Absurd},
		{"perfect vacuum", "quillet", sample(telemetry.BoilerPressure, -108500), "good ", ""},
		{"less than nothing", "quillet", sample(telemetry.BoilerPressure, -108501), "bad absurd: -108501 Pa is outside -108500 to 2.2064e+07", ingest.Absurd},
		{"second pressure channel", "quillet", sample("boiler.pressure.2", 3e7), "bad absurd: 3e+07 Pa is outside -108500 to 2.2064e+07", ingest.Absurd},
		{"barometer in hectopascals", "", sample(telemetry.AmbientPressure, 1013), "bad absurd: 1013 Pa is outside 50000 to 110000", ingest.Absurd},
		{"humidity", "", sample(telemetry.AmbientHumidity, 105.1), "bad absurd: 105.1 %RH is outside -5 to 105", ingest.Absurd},
		{"carbon monoxide in ppm", "", sample(telemetry.AmbientCO, 20), "bad absurd: 20 / is outside -0.0001 to 1", ingest.Absurd},
		{"carbon monoxide", "", sample(telemetry.AmbientCO, 0.00002), "good ", ""},
		{"air", "", sample(telemetry.AmbientTemp, 86), "bad absurd: 86 Cel is outside -90 to 85", ingest.Absurd},
		{"ahead by the skew", "quillet", at(5 * time.Second), "good ", ""},
		{"ahead by more", "quillet", at(5*time.Second + time.Microsecond), "bad clock ahead by 5s", ingest.ClockAhead},
		{"ahead by years", "quillet", at(30000 * time.Hour), "bad clock ahead by 30000h0m0s", ingest.ClockAhead},
		{"long ago", "quillet", at(-30000 * time.Hour), "good ", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := newGate(t, nil)
			got := ""
			for _, s := range g.Admit(now, "a/topic", c.engine, []telemetry.Sample{c.in}) {
				got = s.Quality.String() + " " + s.Reason
				if s.Channel != c.in.Channel || !s.At.Equal(c.in.At) {
					t.Errorf("in %+v\ngot %+v", c.in, s)
				}
				if strings.HasPrefix(s.Reason, "absurd") && !math.IsNaN(s.Value) {
					t.Errorf("in %+v\ngot the number %v, want none", c.in, s.Value)
				}
			}
			if got != c.want {
				t.Errorf("in %+v\ngot  %q\nwant %q", c.in, got, c.want)
			}
			want := map[string]uint64{}
			if c.trouble != "" {
				want[c.trouble] = 1
			}
			if g := fmt.Sprint(g.Counters().Troubles()); g != fmt.Sprint(want) {
				t.Errorf("in %+v\ngot troubles %s, want %v", c.in, g, want)
			}
		})
	}
}

func TestTheGoodRestIsAdmitted(t *testing.T) {
	g := newGate(t, nil)
	got := g.Admit(now, "t", "quillet", []telemetry.Sample{sample(telemetry.AmbientCO, 0), sample(telemetry.Firebox, 1), sample(telemetry.Smokebox, math.NaN()), sample(telemetry.ShellTop, 2)})
	if len(got) != 2 || got[0].Channel != telemetry.Firebox || got[1].Channel != telemetry.ShellTop {
		t.Errorf("got %+v", got)
	}
	if n := g.Counters().Offered.Load(); n != 2 {
		t.Errorf("got %d offered, want 2", n)
	}
}

func TestTroubleIsLoggedOncePerKindAndMinute(t *testing.T) {
	var out bytes.Buffer
	g := newGate(t, slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}})))
	for i := range 100 {
		g.Trouble(now.Add(time.Duration(i)*time.Second), fmt.Sprintf("topic/%d", i), "one", "first text")
	}
	g.Trouble(now, "other", "two", "second text")
	want := `level=WARN msg="first text" kind=one topic=topic/0 more_since=0
level=WARN msg="first text" kind=one topic=topic/60 more_since=59
level=WARN msg="second text" kind=two topic=other more_since=0
`
	if got := out.String(); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if n := g.Counters().Trouble("one"); n != 100 {
		t.Errorf("counted %d, want 100", n)
	}
}
