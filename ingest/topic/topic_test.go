package topic_test

import (
	"strings"
	"testing"

	"ashlamp/ingest/topic"
)

func TestTopicsOfTheContract(t *testing.T) {
	for _, c := range []struct {
		in   string
		want topic.Topic
	}{
		{"sheds/fernhollow/engines/quillet/samples", topic.Topic{Kind: topic.EngineSamples, Shed: "fernhollow", Engine: "quillet"}},
		{"sheds/fernhollow/engines/quillet/samples/cbor", topic.Topic{Kind: topic.EngineSamples, Shed: "fernhollow", Engine: "quillet", CBOR: true}},
		{"sheds/fernhollow/samples", topic.Topic{Kind: topic.ShedSamples, Shed: "fernhollow"}},
		{"sheds/fernhollow/samples/cbor", topic.Topic{Kind: topic.ShedSamples, Shed: "fernhollow", CBOR: true}},
		{"sheds/fernhollow/nodes/box-1/here", topic.Topic{Kind: topic.NodeHere, Shed: "fernhollow", Name: "box-1"}},
		{"sheds/fernhollow/daemon/here", topic.Topic{Kind: topic.DaemonHere, Shed: "fernhollow"}},
		{"sheds/fernhollow/engines/quillet/steps/plugs-out", topic.Topic{Kind: topic.Step, Shed: "fernhollow", Engine: "quillet", Name: "plugs-out"}},
		{"sheds/fernhollow/engines/quillet/alarms/node-lost", topic.Topic{Kind: topic.Alarm, Shed: "fernhollow", Engine: "quillet", Name: "node-lost"}},
	} {
		got, err := topic.Parse(c.in)
		if err != nil || got != c.want {
			t.Errorf("in %s\ngot %+v, %v\nwant %+v", c.in, got, err, c.want)
		}
		if back := got.String(); back != c.in {
			t.Errorf("in %s\nwritten again %s", c.in, back)
		}
	}
}

func TestTopicsRefused(t *testing.T) {
	for _, in := range []string{
		"", "/", "sheds", "sheds/fernhollow", "sheds//samples", "Sheds/fernhollow/samples",
		"sheds/Fernhollow/samples", "sheds/fernhollow/samples/", "sheds/fernhollow/samples/json",
		"sheds/fernhollow/samples/cbor/x", "sheds/fernhollow/engines/quillet", "sheds/fernhollow/engines/Quillet/samples",
		"sheds/fernhollow/engines//samples", "sheds/fernhollow/engines/quillet/sample", "sheds/fernhollow/engines/quillet/steps",
		"sheds/fernhollow/engines/quillet/steps/a/b", "sheds/fernhollow/nodes/box_1/here", "sheds/fernhollow/nodes/box/there",
		"sheds/fernhollow/daemon", "sheds/+/samples", "/sheds/fernhollow/samples", "sheds/" + strings.Repeat("a", 65) + "/samples",
	} {
		if got, err := topic.Parse(in); err == nil || got != (topic.Topic{}) {
			t.Errorf("in %q\ngot %+v, %v, want an error", in, got, err)
		}
	}
}

func TestFiltersTakeAllThatNodesSend(t *testing.T) {
	for _, c := range []struct {
		in   string
		want bool
	}{
		{"sheds/fernhollow/engines/quillet/samples", true},
		{"sheds/fernhollow/engines/quillet/samples/cbor", true},
		{"sheds/fernhollow/engines/quillet/samples/json", true},
		{"sheds/fernhollow/samples", true},
		{"sheds/fernhollow/samples/cbor", true},
		{"sheds/fernhollow/nodes/box-1/here", true},
		{"sheds/fernhollow/engines/quillet/steps/plugs-out", false},
		{"sheds/fernhollow/daemon/here", false},
		{"sheds/elsewhere/samples", false},
	} {
		got := false
		for _, f := range topic.Filters("fernhollow") {
			if err := topic.CheckFilter(f); err != nil {
				t.Error(err)
			}
			got = got || topic.Match(f, c.in)
		}
		if got != c.want {
			t.Errorf("in %s\ngot %v, want %v", c.in, got, c.want)
		}
	}
}

func TestMatch(t *testing.T) {
	// The rows with "sport" and "finance" are the examples of MQTT 3.1.1 section 4.7.1.
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "a/b", true},
		{"#", "$SYS/x", false},
		{"+/x", "$SYS/x", false},
		{"$SYS/#", "$SYS/x", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"a/b", "a/b", true},
		{"a/b", "a/c", false},
		{"a/b", "a/b/c", false},
		{"a/b/c", "a/b", false},
	} {
		if got := topic.Match(c.filter, c.topic); got != c.want {
			t.Errorf("Match(%q, %q) = %v, want %v", c.filter, c.topic, got, c.want)
		}
	}
}

func TestCheckFilter(t *testing.T) {
	for _, c := range []struct {
		in string
		ok bool
	}{
		{"a", true}, {"+", true}, {"#", true}, {"a/+/b/#", true}, {"/", true},
		{"", false}, {"a#", false}, {"#/a", false}, {"a+/b", false}, {"a/\x00", false}, {"a/#/b", false},
	} {
		if err := topic.CheckFilter(c.in); (err == nil) != c.ok {
			t.Errorf("in %q\ngot %v, want ok %v", c.in, err, c.ok)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("sheds/fernhollow/engines/quillet/samples/cbor")
	f.Add("sheds/fernhollow/nodes/box-1/here")
	f.Fuzz(func(t *testing.T, in string) {
		got, err := topic.Parse(in)
		if err != nil {
			return
		}
		if back := got.String(); back != in {
			t.Fatalf("in %q\nwritten again %q", in, back)
		}
		if topic.CheckFilter(in) != nil || !topic.Match(in, in) {
			t.Fatalf("in %q: does not match itself", in)
		}
	})
}
