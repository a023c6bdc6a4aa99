package door_test

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"ashlamp/hardware/calibration"
	"ashlamp/ingest"
	"ashlamp/ingest/door"
	"ashlamp/rules/telemetry"
)

// TestAllIsHeard: whatever comes is told, taken or not, once, as it was sent.
func TestAllIsHeard(t *testing.T) {
	var got []string
	g, err := ingest.NewGate(ingest.GateConfig{
		Engines: []string{"quillet"}, Counters: &ingest.Counters{}, Log: slog.New(slog.DiscardHandler),
		Calibrations: map[ingest.Place]calibration.Line{{Engine: "quillet", Channel: telemetry.Firebox}: {Zero: 100, Gain: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	d, err := door.New(door.Config{
		Shed: "fernhollow", Gate: g, Sink: &sink{}, Now: func() time.Time { return now },
		Heard: func(h door.Heard) {
			s := h.Node + " " + h.Topic
			for _, p := range h.Parts {
				for _, x := range p.Samples {
					s += fmt.Sprintf(" %s:%s=%g", p.Engine, x.Channel, x.Value)
				}
			}
			if h.Status != nil {
				s += fmt.Sprintf(" up=%v", h.Status.Up)
			}
			if h.Refused != "" {
				s += " refused"
			}
			got = append(got, s)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ topic, payload, want string }{
		{"sheds/fernhollow/engines/quillet/samples", `[{"n":"firebox","v":300}]`, " quillet:firebox=300"},
		{"sheds/fernhollow/engines/nobody/samples", `[{"n":"firebox","v":300}]`, " nobody:firebox=300"},
		{"sheds/fernhollow/engines/quillet/samples", `[`, " refused"},
		{"sheds/elsewhere/engines/quillet/samples", `[{"n":"firebox","v":300}]`, " refused"},
		{"yard/tank", `41`, " refused"},
		{"sheds/fernhollow/nodes/box/here", `{"up":true}`, " up=true"},
		{"sheds/fernhollow/nodes/box/here", `up`, " refused"},
	} {
		got = nil
		if _, err := d.Take(t.Context(), door.Message{Topic: c.topic, Payload: []byte(c.payload), Node: "box"}, nil); err != nil {
			t.Fatal(err)
		}
		if want := "box " + c.topic + c.want; strings.Join(got, "; ") != want {
			t.Errorf("%s %s: heard %q, want %q", c.topic, c.payload, got, want)
		}
	}
}
