package config

import (
	"fmt"
	"strings"

	"ashlamp/ingest/mqtt"
	"ashlamp/rules"
)

// DefaultLampStep is the step that the lamp on the board stands for unless told
// otherwise.
const DefaultLampStep = "house"

// Lamp is a lamp on the board: lit, through a monostable outside, while a step of an
// engine is proven.
type Lamp struct {
	// GPIO is the pin as the board names it, for example "GPIO17".
	GPIO         string
	Engine, Step string
}

// Neighbour is another shed, and the broker at which its daemon says that it is there.
type Neighbour struct {
	Shed, Name string
	Broker     Broker
}

type fileLamp struct {
	GPIO   string `toml:"gpio"`
	Engine string `toml:"engine"`
	Step   string `toml:"step"`
}

type fileNeighbour struct {
	Shed         string `toml:"shed"`
	Name         string `toml:"name"`
	Broker       string `toml:"broker"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	CAFile       string `toml:"ca_file"`
}

func (r *reader) lamp(f fileLamp, c Config) *Lamp {
	l := &Lamp{GPIO: f.GPIO, Engine: f.Engine, Step: f.Step}
	if l.GPIO == "" {
		r.fault("lamp.gpio", "lamp.gpio is missing; name the pin that the monostable is wired to, such as \"GPIO17\"")
	}
	if l.Step == "" {
		l.Step = DefaultLampStep
	}
	// In a shed of one engine nothing needs to be said.
	if l.Engine == "" && len(c.Engines) == 1 {
		l.Engine = c.Engines[0].ID
	}
	if l.Engine == "" {
		r.fault("lamp.engine", "lamp.engine is missing; name the engine that the lamp stands for")
		return l
	}
	for _, e := range c.Engines {
		if e.ID != l.Engine {
			continue
		}
		var steps []string
		for _, s := range rules.Steps() {
			if s.Has != nil && !s.Has(e) {
				continue
			}
			if s.ID == l.Step {
				return l
			}
			steps = append(steps, s.ID)
		}
		r.fault("lamp.step", "lamp.step = %q is no step of engine %s; use one of %s", l.Step, e.ID, strings.Join(steps, ", "))
		return l
	}
	r.fault("lamp.engine", "lamp.engine = %q is not in this shed; name one that has a table [[engine]]", l.Engine)
	return l
}

func (r *reader) neighbours(fs []fileNeighbour, c Config) []Neighbour {
	var out []Neighbour
	first := map[string]int{}
	for i, f := range fs {
		key := fmt.Sprintf("neighbour[%d]", i)
		r.id(key+".shed", f.Shed)
		n, twice := first[f.Shed]
		switch {
		case f.Shed == "":
		case f.Shed == c.Shed.ID:
			r.fault(key+".shed", "neighbour %q is this shed itself; name another, or delete the table", f.Shed)
		case twice:
			r.fault(key+".shed", "neighbour %q is there twice, first at line %d; delete one", f.Shed, n)
		default:
			first[f.Shed] = r.at.line(key + ".shed")
		}
		b := Broker{URL: f.Broker, User: f.User, PasswordFile: f.PasswordFile, CAFile: f.CAFile}
		if b.URL == "" {
			if f.User != "" || f.PasswordFile != "" || f.CAFile != "" {
				r.fault(key, "neighbour %q: user, password_file and ca_file belong to a broker; add broker = \"mqtt://host:1883\", or delete them", f.Shed)
			}
			if c.Broker.URL == "" {
				r.fault(key+".broker", "neighbour %q has no broker, and this shed's is built in, where no other daemon speaks; add broker = \"mqtt://host:1883\", the one that the neighbour's daemon speaks to", f.Shed)
			}
			b = c.Broker // the one that both sheds share
			b.Listen, b.ClientID = "", ""
		} else if _, err := mqtt.Address(b.URL); err != nil {
			r.fault(key+".broker", "neighbour %q: %s", f.Shed, err)
		}
		name := f.Name
		if name == "" {
			name = f.Shed
		}
		out = append(out, Neighbour{Shed: f.Shed, Name: name, Broker: b})
	}
	return out
}
