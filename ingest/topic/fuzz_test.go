package topic_test

import (
	"slices"
	"strings"
	"testing"

	"ashlamp/ingest/topic"
)

// FuzzOneOfThem tries ids of any text in each of the contract's topics: what is
// written with ids can be read again and is subscribed to where nodes send it;
// what is written with anything else is refused.
func FuzzOneOfThem(f *testing.F) {
	f.Add(uint8(1), "fernhollow", "quillet", "plugs-out", true)
	f.Add(uint8(3), "fernhollow", "", "box-1", false)
	f.Add(uint8(5), "a/b", "quillet", "house", false)
	f.Add(uint8(6), "fernhollow", "quillet", "samples", false)
	f.Add(uint8(2), "+", "", "", false)
	f.Fuzz(func(t *testing.T, kind uint8, shed, engine, name string, cbor bool) {
		in := topic.Topic{Kind: topic.Kind(kind), Shed: shed}
		ok, sent := topic.ValidID(shed), true
		switch in.Kind {
		case topic.EngineSamples:
			in.Engine, in.CBOR = engine, cbor
			ok = ok && topic.ValidID(engine)
		case topic.ShedSamples:
			in.CBOR = cbor
		case topic.NodeHere:
			in.Name = name
			ok = ok && topic.ValidID(name)
		case topic.DaemonHere:
			sent = false
		case topic.Step, topic.Alarm:
			in.Engine, in.Name, sent = engine, name, false
			ok = ok && topic.ValidID(engine) && topic.ValidID(name)
		default:
			if s := in.String(); s != "" {
				t.Fatalf("in %+v\nwritten %q", in, s)
			}
			return
		}
		written := in.String()
		got, err := topic.Parse(written)
		if !ok {
			if err == nil && got == in {
				t.Fatalf("in %+v\nread as written, though it holds what is no id", in)
			}
			return
		}
		if err != nil || got != in {
			t.Fatalf("in %+v\nwritten %q\nread %+v, %v", in, written, got, err)
		}
		matched := slices.ContainsFunc(topic.Filters(shed), func(f string) bool { return topic.Match(f, written) })
		if matched != sent {
			t.Fatalf("in %q\nsubscribed %v, sent by nodes %v", written, matched, sent)
		}
		if shed != "other" && slices.ContainsFunc(topic.Filters("other"), func(f string) bool { return topic.Match(f, written) }) {
			t.Fatalf("in %q\nanother shed's filters take it", written)
		}
	})
}

// FuzzMatch holds Match to the standard's words (MQTT 3.1.1 section 4.7), told level
// by level.
func FuzzMatch(f *testing.F) {
	f.Add("yard/+/p", "yard/quillet/p")
	f.Add("a/#", "a")
	f.Add("#", "$SYS/x")
	f.Add("+/+", "/")
	f.Add("a/+/#", "a/")
	f.Add("$SYS/#", "$SYS")
	f.Add("/a", "a")
	f.Fuzz(func(t *testing.T, filter, name string) {
		if err := topic.CheckFilter(filter); err != nil {
			if !strings.Contains(err.Error(), "topic filter") || valid(filter) {
				t.Fatalf("in %q\ngot %v", filter, err)
			}
			return
		}
		if !valid(filter) {
			t.Fatalf("in %q\naccepted", filter)
		}
		if strings.ContainsAny(name, "+#\x00") || name == "" {
			return // no topic name (section 4.7.1)
		}
		if got, want := topic.Match(filter, name), matches(strings.Split(filter, "/"), strings.Split(name, "/")); got != want {
			t.Fatalf("Match(%q, %q) = %v, want %v", filter, name, got, want)
		}
	})
}

func valid(filter string) bool {
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		if l != "+" && strings.Contains(l, "+") || strings.Contains(l, "#") && (l != "#" || i < len(levels)-1) {
			return false
		}
	}
	return filter != "" && len(filter) <= 65535 && !strings.Contains(filter, "\x00")
}

func matches(filter, name []string) bool {
	if strings.HasPrefix(name[0], "$") && (filter[0] == "+" || filter[0] == "#") {
		return false
	}
	if filter[len(filter)-1] == "#" {
		parent := filter[:len(filter)-1]
		return len(name) >= len(parent) && same(parent, name[:len(parent)])
	}
	return len(filter) == len(name) && same(filter, name)
}

func same(filter, name []string) bool {
	for i := range filter {
		if filter[i] != "+" && filter[i] != name[i] {
			return false
		}
	}
	return true
}
