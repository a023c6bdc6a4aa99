// Package topic names the MQTT topics of the outside contract and reads them.
package topic

import (
	"fmt"
	"strings"
)

// MaxID is the most bytes of an id of a shed, engine or node. It is our own limit.
const MaxID = 64

// Kind says what a topic carries. The zero value is a topic that the contract does
// not name.
type Kind uint8

const (
	// Other is none of the contract's topics.
	Other Kind = iota
	// EngineSamples carries an engine's samples.
	EngineSamples
	// ShedSamples carries the samples of the shed's own channels.
	ShedSamples
	// NodeHere carries a node's status.
	NodeHere
	// DaemonHere carries the daemon's own status; only the daemon publishes it.
	DaemonHere
	// Step carries a step's verdict; only the daemon publishes it.
	Step
	// Alarm carries an alarm's state; only the daemon publishes it.
	Alarm
)

// Topic is a topic of the contract, taken apart.
type Topic struct {
	Kind Kind
	Shed string
	// Engine is set for EngineSamples, Step and Alarm.
	Engine string
	// Name is the node of NodeHere, the step of Step, the watch of Alarm.
	Name string
	// CBOR is true where samples come in CBOR instead of JSON.
	CBOR bool
}

// ValidID reports whether s is an id: a-z, 0-9 and -, not empty, at most MaxID bytes.
func ValidID(s string) bool {
	if s == "" || len(s) > MaxID {
		return false
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// Parse takes a topic apart. The error says what is wrong with a topic that the
// contract does not name, and how the nearest one reads.
func Parse(s string) (Topic, error) {
	wrong := func(format string, args ...any) (Topic, error) {
		return Topic{}, fmt.Errorf("topic %s %s", clip(s), fmt.Sprintf(format, args...))
	}
	// No topic of the contract has more levels than this; Split would cost more.
	var level [7]string
	n, rest := 0, s
	for {
		if n == len(level) {
			return wrong("has too many levels")
		}
		head, tail, more := strings.Cut(rest, "/")
		level[n], rest = head, tail
		n++
		if !more {
			break
		}
	}
	if level[0] != "sheds" || n < 3 {
		return wrong("is none of the contract's; they begin with sheds/{shed}/")
	}
	t := Topic{Shed: level[1]}
	if !ValidID(t.Shed) {
		return wrong("has the shed %s; ids are of a-z, 0-9 and -", clip(t.Shed))
	}
	switch what := level[2]; {
	case what == "samples":
		t.Kind = ShedSamples
		if n == 4 && level[3] == "cbor" {
			t.CBOR = true
		} else if n != 3 {
			return wrong("is none of the contract's; send to sheds/%s/samples or sheds/%s/samples/cbor", t.Shed, t.Shed)
		}
		return t, nil
	case what == "daemon" && n == 4 && level[3] == "here":
		t.Kind = DaemonHere
		return t, nil
	case what == "nodes" && n == 5 && level[4] == "here":
		if t.Kind, t.Name = NodeHere, level[3]; !ValidID(t.Name) {
			return wrong("has the node %s; ids are of a-z, 0-9 and -", clip(t.Name))
		}
		return t, nil
	case what == "engines" && n >= 5:
		if t.Engine = level[3]; !ValidID(t.Engine) {
			return wrong("has the engine %s; ids are of a-z, 0-9 and -", clip(t.Engine))
		}
		switch {
		case level[4] == "samples" && (n == 5 || n == 6 && level[5] == "cbor"):
			t.Kind, t.CBOR = EngineSamples, n == 6
			return t, nil
		case n == 6 && level[4] == "steps" && ValidID(level[5]):
			t.Kind, t.Name = Step, level[5]
			return t, nil
		case n == 6 && level[4] == "alarms" && ValidID(level[5]):
			t.Kind, t.Name = Alarm, level[5]
			return t, nil
		}
		return wrong("is none of the contract's; send samples to sheds/%s/engines/%s/samples or …/samples/cbor", t.Shed, t.Engine)
	}
	return wrong("is none of the contract's; below sheds/%s/ there are samples, engines, nodes and daemon", t.Shed)
}

// String writes the topic; empty for the zero value.
func (t Topic) String() string {
	cbor := ""
	if t.CBOR {
		cbor = "/cbor"
	}
	switch t.Kind {
	case EngineSamples:
		return "sheds/" + t.Shed + "/engines/" + t.Engine + "/samples" + cbor
	case ShedSamples:
		return "sheds/" + t.Shed + "/samples" + cbor
	case NodeHere:
		return "sheds/" + t.Shed + "/nodes/" + t.Name + "/here"
	case DaemonHere:
		return "sheds/" + t.Shed + "/daemon/here"
	case Step:
		return "sheds/" + t.Shed + "/engines/" + t.Engine + "/steps/" + t.Name
	case Alarm:
		return "sheds/" + t.Shed + "/engines/" + t.Engine + "/alarms/" + t.Name
	default:
		return ""
	}
}

// Filters returns the topic filters of all that a shed's nodes send. They end in #
// so that a slip such as …/samples/json is received and told, too.
func Filters(shed string) []string {
	return []string{
		"sheds/" + shed + "/engines/+/samples/#",
		"sheds/" + shed + "/samples/#",
		"sheds/" + shed + "/nodes/+/here",
	}
}

// CheckFilter says what is wrong with a topic filter (MQTT 3.1.1 section 4.7.1), nil
// if nothing.
func CheckFilter(filter string) error {
	switch {
	case filter == "":
		return fmt.Errorf("topic filter is empty; give one such as shed/box/+/temperature")
	case len(filter) > 65535:
		return fmt.Errorf("topic filter has %d bytes, more than 65535", len(filter))
	case strings.ContainsRune(filter, 0):
		return fmt.Errorf("topic filter %s has a null character; leave it out", clip(filter))
	}
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		switch {
		case l == "#" && i == len(levels)-1, l == "+":
		case strings.ContainsAny(l, "#+"):
			return fmt.Errorf("topic filter %s has %s as a level; + stands alone in a level, # alone in the last one", clip(filter), clip(l))
		}
	}
	return nil
}

// Match reports whether a topic matches a filter (MQTT 3.1.1 section 4.7): + is one
// level, # the rest and also the level above it; neither matches a first level that
// begins with $.
func Match(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && (strings.HasPrefix(filter, "+") || strings.HasPrefix(filter, "#")) {
		return false
	}
	for {
		f, fRest, fMore := strings.Cut(filter, "/")
		if f == "#" {
			return true
		}
		t, tRest, tMore := strings.Cut(topic, "/")
		if f != "+" && f != t {
			return false
		}
		switch {
		case !fMore && !tMore:
			return true
		case fMore && !tMore:
			return fRest == "#"
		case !fMore:
			return false
		}
		filter, topic = fRest, tRest
	}
}

func clip(s string) string {
	const most = 100
	if len(s) > most {
		s = s[:most] + "…"
	}
	return fmt.Sprintf("%q", s)
}
