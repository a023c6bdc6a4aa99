package config

import (
	"strings"
	"testing"
)

const outside = `[shed]
id = "fernhollow"
[mqtt]
listen = "127.0.0.1:0"
[[engine]]
id = "quillet"
working_pressure_bar = 10
boiler_volume_l = 400
[lamp]
gpio = "GPIO17"
engine = "quillet"
[[neighbour]]
shed = "millrace"
name = "Millrace"
broker = "mqtt://millrace.example:1883"
user = "fernhollow"
password_file = "/etc/ashlamp/millrace"
`

func TestLampAndNeighbours(t *testing.T) {
	c, err := Parse("shed.toml", []byte(outside))
	if err != nil {
		t.Fatal(err)
	}
	if want := (Lamp{GPIO: "GPIO17", Engine: "quillet", Step: "house"}); c.Lamp == nil || *c.Lamp != want {
		t.Errorf("lamp %+v, want %+v", c.Lamp, want)
	}
	want := Neighbour{Shed: "millrace", Name: "Millrace", Broker: Broker{URL: "mqtt://millrace.example:1883", User: "fernhollow", PasswordFile: "/etc/ashlamp/millrace"}}
	if len(c.Neighbours) != 1 || c.Neighbours[0] != want {
		t.Errorf("neighbours %+v, want %+v", c.Neighbours, want)
	}
	// Both at one broker: it is named once.
	shared := strings.NewReplacer(`listen = "127.0.0.1:0"`, "broker = \"mqtt://127.0.0.1\"\nuser = \"ashlamp\"\nclient_id = \"one\"",
		"broker = \"mqtt://millrace.example:1883\"\nuser = \"fernhollow\"\npassword_file = \"/etc/ashlamp/millrace\"\n", "").Replace(outside)
	c, err = Parse("shed.toml", []byte(shared))
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Neighbours[0].Broker; got != (Broker{URL: "mqtt://127.0.0.1", User: "ashlamp"}) {
		t.Errorf("the shared broker is %+v; a client id of its own would throw the other off", got)
	}
	// One engine needs no naming, none of either is as good.
	if c, err = Parse("shed.toml", []byte(strings.Replace(outside, "engine = \"quillet\"\n", "", 1))); err != nil || c.Lamp.Engine != "quillet" {
		t.Errorf("lamp of the only engine: %+v, %v", c.Lamp, err)
	}
	if c, err = Parse("shed.toml", []byte(outside[:strings.Index(outside, "[lamp]")])); err != nil || c.Lamp != nil || len(c.Neighbours) != 0 {
		t.Errorf("without either: %+v, %+v, %v", c.Lamp, c.Neighbours, err)
	}
}

func TestLampsAndNeighboursThatCannotBe(t *testing.T) {
	for _, tt := range []struct{ name, from, to, want string }{
		{"no pin", `gpio = "GPIO17"`, "", "shed.toml:9: lamp.gpio is missing"},
		{"another engine", `engine = "quillet"`, `engine = "marrow"`, `shed.toml:11: lamp.engine = "marrow" is not in this shed`},
		{"no such step", `engine = "quillet"`, `step = "fly"`, `shed.toml:11: lamp.step = "fly" is no step of engine quillet; use one of drop-fire`},
		{"a step that it has not", `boiler_volume_l = 400`, "boiler_volume_l = 400\ntanks = 0\n[lamp]\ngpio = \"GPIO17\"\nstep = \"drain-tanks\"\n[[engine]]\nid = \"marrow\"\nworking_pressure_bar = 10\nboiler_volume_l = 400\n#", ""},
		{"itself", `shed = "millrace"`, `shed = "fernhollow"`, `shed.toml:13: neighbour "fernhollow" is this shed itself`},
		{"no shed", `shed = "millrace"`, "", "neighbour[0].shed is missing"},
		{"no id", `shed = "millrace"`, `shed = "Mill/+"`, "has other characters"},
		{"twice", `[[neighbour]]`, "[[neighbour]]\nshed = \"millrace\"\nbroker = \"mqtt://x\"\n[[neighbour]]", `shed.toml:16: neighbour "millrace" is there twice, first at line 13`},
		{"no broker", `broker = "mqtt://millrace.example:1883"`, "", "belong to a broker"},
		{"none at all", "broker = \"mqtt://millrace.example:1883\"\nuser = \"fernhollow\"\npassword_file = \"/etc/ashlamp/millrace\"\n", "", "this shed's is built in"},
		{"no MQTT", "mqtt://millrace", "http://millrace", `shed.toml:15: neighbour "millrace": MQTT broker "http://millrace.example:1883": scheme "http" is not known`},
		{"no host", "mqtt://millrace.example:1883", "mqtt://", "has no host"},
		{"password in the URL", "mqtt://", "mqtt://a:b@", "by themselves"},
		{"unknown key", `gpio =`, `gpoi =`, `"lamp.gpoi" is not known`},
	} {
		text := strings.Replace(outside, tt.from, tt.to, 1)
		if tt.want == "" { // two tables [lamp] cannot be; the first is what is tried
			text = text[:strings.LastIndex(text, "[lamp]")]
			tt.want = `lamp.step = "drain-tanks" is no step`
			text = strings.Replace(text, "[lamp]\n", "[lamp]\nengine = \"quillet\"\n", 1)
		}
		_, err := Parse("shed.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
}
