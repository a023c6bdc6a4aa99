package setup

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"ashlamp/ingest/door"
	"ashlamp/ingest/mapping"
	"ashlamp/rules/telemetry"
)

var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

func nothing(string, string, telemetry.Channel) bool { return false }

func heard(node, topic, payload string, at time.Time, samples ...telemetry.Sample) door.Heard {
	h := door.Heard{Message: door.Message{Topic: topic, Payload: []byte(payload), Node: node}, Received: at}
	if len(samples) > 0 {
		h.Parts = []mapping.Part{{Engine: "quillet", Samples: samples}}
	}
	return h
}

// TestTheEarForgets: whoever reaches the broker may invent ids without end.
func TestTheEarForgets(t *testing.T) {
	e := NewEar()
	for i := range 5 * maxNodes {
		at := noon.Add(time.Duration(i) * time.Second)
		node := fmt.Sprint("box-", i)
		for j := range 2 {
			e.Hear(heard(node, "sheds/pit/engines/quillet/samples", "", at,
				telemetry.Sample{Channel: telemetry.Channel(fmt.Sprint("c", j)), At: at, Value: 1, Quality: telemetry.Good}))
		}
		h := heard(node, fmt.Sprint("yard/", i), "7.5", at)
		h.Refused = "topic is none of the contract's"
		e.Hear(h)
	}
	for i := range 2 * maxSends {
		e.Hear(heard("many", "sheds/pit/engines/quillet/samples", "", noon.Add(time.Hour),
			telemetry.Sample{Channel: telemetry.Channel(fmt.Sprint("c", i)), At: noon, Quality: telemetry.Bad}))
	}
	nodes, refused := e.Nodes(nothing), e.Refused()
	if len(nodes) != maxNodes || len(refused) != maxRefused {
		t.Fatalf("%d nodes and %d refused topics, want %d and %d", len(nodes), len(refused), maxNodes, maxRefused)
	}
	if nodes[0].ID != "many" || len(nodes[0].Sends) != maxSends || nodes[1].ID != fmt.Sprint("box-", 5*maxNodes-1) {
		t.Errorf("the newest are %q and %q", nodes[0].ID, nodes[1].ID)
	}
	if refused[0].Topic != fmt.Sprint("yard/", 5*maxNodes-1) || refused[0].Payload != "7.5" || refused[0].Numbers[0].Value != 7.5 {
		t.Errorf("the newest refused is %+v", refused[0])
	}
}

func TestAClientIsCalledAsItCallsItself(t *testing.T) {
	e := NewEar()
	s := telemetry.Sample{Channel: "firebox", At: noon, Value: 300, Quality: telemetry.Good}
	e.Hear(heard("node-pit-box", "sheds/pit/engines/quillet/samples", "", noon, s))
	h := heard("node-pit-box", "sheds/pit/nodes/box/here", `{"up":true}`, noon.Add(time.Second))
	h.Status = &door.Here{Node: "box", Up: true}
	e.Hear(h)
	s.At, s.Value = noon.Add(5*time.Second), 290
	e.Hear(heard("node-pit-box", "sheds/pit/engines/quillet/samples", "", noon.Add(5*time.Second), s))
	nodes := e.Nodes(nothing)
	if len(nodes) != 1 || nodes[0].ID != "box" || nodes[0].Messages != 3 || len(nodes[0].Sends) != 1 {
		t.Fatalf("nodes %+v", nodes)
	}
	if got := nodes[0].Sends[0]; *got.Value != 290 || got.IntervalS != 5 || got.Shed != "pit" || got.Engine != "quillet" {
		t.Errorf("it sends %+v", got)
	}
	// A bad sample has no number, and one that is older does not take the place of a newer.
	e.Hear(heard("node-pit-box", "sheds/pit/engines/quillet/samples", "", noon.Add(6*time.Second),
		telemetry.Sample{Channel: "firebox", At: noon.Add(4 * time.Second), Value: 1, Quality: telemetry.Good},
		telemetry.Sample{Channel: "firebox", At: noon.Add(6 * time.Second), Value: 1, Reason: "open"}))
	if got := e.Nodes(nothing)[0].Sends[0]; got.Value != nil || got.Reason != "open" {
		t.Errorf("after a bad one: %+v", got)
	}
}

// TestAPackForAnotherShedIsSeen: the commonest slip of a first day.
func TestAPackForAnotherShedIsSeen(t *testing.T) {
	e := NewEar()
	h := heard("box", "sheds/elsewhere/engines/quillet/samples", `[{"n":"firebox","u":"Cel","v":300}]`, noon)
	h.Refused = "message refused, this shed is pit"
	e.Hear(h)
	nodes, refused := e.Nodes(nothing), e.Refused()
	if len(nodes) != 1 || len(nodes[0].Sends) != 1 || nodes[0].Sends[0].Shed != "elsewhere" || *nodes[0].Sends[0].Value != 300 {
		t.Errorf("nodes %+v", nodes)
	}
	if len(refused) != 1 || refused[0].Why != "message refused, this shed is pit" {
		t.Errorf("refused %+v", refused)
	}
	e.Forget()
	if len(e.Refused()) != 0 || len(e.Nodes(nothing)) != 1 {
		t.Error("what was refused is not forgotten, or what was heard is")
	}
}

// FuzzEar holds of any message: what is shown of it is text, bounded, and each number
// has a pointer of its own.
func FuzzEar(f *testing.F) {
	f.Add("box", "yard/tank", `{"a":{"b/c~":[1,2,{"d":3}]},"e":"4"}`, "no such topic")
	f.Add("", "sheds/pit/engines/quillet/samples/cbor", "\x81\xa1\x00", "pack refused")
	f.Add("\xff", "sheds/pit/samples", `[{"n":"ambient.temperature","v":1e999}]`, "")
	f.Add("b", "t", "[[[[[[[[[[1]]]]]]]]]]", "x")
	f.Fuzz(func(t *testing.T, node, topic, payload, why string) {
		e := NewEar()
		h := heard(node, topic, payload, noon)
		h.Refused = why
		e.Hear(h)
		for _, r := range e.Refused() {
			if !utf8.ValidString(r.Payload) || utf8.RuneCountInString(r.Payload) > maxPayload+1 || !utf8.ValidString(r.Topic) || len(r.Numbers) > maxNumbers {
				t.Fatalf("of %q on %q: %+v", payload, topic, r)
			}
			seen := map[string]bool{}
			for _, n := range r.Numbers {
				if seen[n.Pointer] || n.Value-n.Value != 0 || n.Pointer != "" && !strings.HasPrefix(n.Pointer, "/") {
					t.Fatalf("of %q: number %+v", payload, n)
				}
				seen[n.Pointer] = true
			}
		}
		for _, n := range e.Nodes(nothing) {
			if !utf8.ValidString(n.ID) {
				t.Fatalf("node %q", n.ID)
			}
		}
	})
}

func TestTwoNamesOfOneBus(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"1", "/dev/i2c-1", true}, {"I2C1", "1", true}, {"i2c1", "/dev/i2c-1", true}, {"1", "2", false},
		{"I2C1", "I2C10", false}, {"board", "board", true}, {"board", "shed", false}, {"board", "1", false}, {"", "", true},
	} {
		if got := sameBus(c.a, c.b); got != c.same {
			t.Errorf("%q and %q: %v, want %v", c.a, c.b, got, c.same)
		}
	}
}

func TestQuantitiesAreWrittenAsPeopleDo(t *testing.T) {
	for _, c := range []struct {
		id   telemetry.Channel
		v    float64
		diff bool
		want string
	}{
		{telemetry.BoilerPressure, 6000, true, `"0.06 bar"`},
		{telemetry.BoilerPressure, 16e5, false, `"16 bar"`},
		{telemetry.BoilerPressure, -1e5, false, `"-1 bar"`},
		{telemetry.BoilerPressure, 0, false, `"0 bar"`},
		{telemetry.BoilerPressure, 123456.789123, false, "123456.789123"},
		{telemetry.AmbientPressure, 300, true, `"3 hPa"`},
		{telemetry.Firebox, 2.5, true, `"2.5 K"`},
		{telemetry.Firebox, 1300, false, "1300"},
		{telemetry.BoilerLevel, 0.03, true, "0.03"},
		{"steam.chest", 1.5, true, "1.5"},
	} {
		if got := quantity(c.id, c.v, c.diff).String(); got != c.want {
			t.Errorf("%s %g: %s, want %s", c.id, c.v, got, c.want)
		}
	}
}
