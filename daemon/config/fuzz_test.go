package config

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	example "ashlamp/testdata/config"
)

// FuzzParse holds of any text: each fault stands on a line of its own that begins
// with file:line, in order of line, and nothing is given beside faults; a number
// that is none (TOML has nan and inf) is refused; judged twice it is the same, and
// so is what was accepted, written and read again.
func FuzzParse(f *testing.F) {
	f.Add(string(example.Fernhollow))
	for _, part := range strings.Split(string(example.Fernhollow), "\n# ---") {
		f.Add(part)
	}
	const head = "[shed]\nid=\"pit\"\n"
	const one = head + "[[engine]]\nid=\"quillet\"\nworking_pressure_bar=10\nboiler_volume_l=400\n"
	for _, s := range []string{
		"", "[shed]\nid = pit", head, one,
		one + "[engine.limits]\nzero_band_bar=nan\nskew_s=1\n",
		one + "limits={a=1,b=2,c=3}\nby_word={a=\"A\",b=\"B\"}\n",
		one + "[engine.by_word]\npressure-zero=\"gauge-tried\"\n",
		one + "[[engine.channel]]\nid=\"boiler.pressure\"\nuncertainty=\"0.04 bar\"\nrange=[\"-1 bar\",16e5]\nreference=\"absolute\"\ninterval_s=2\n",
		one + "[[engine.channel]]\nid=\"boiler.pressure\"\nrange=[nan,inf,0]\nuncertainty=\"inf bar\"\n",
		one + "[[engine.channel]]\nid=\"a\\nb\"\nuncertainty=1979-05-27\n[engine.channel.mapped]\ntopic=\"+/#\"\npointer=\"/a\"\nscale=-0.0\noffset=-inf\n",
		one + "[[engine.channel]]\nid=\"firebox\"\n[engine.channel.wired]\nbus=\"board\"\nchip=\"mcp9601\"\naddress=0x60\nevery_s=nan\n",
		head + "skew_s=nan\naltitude_m=-inf\ntimezone=\"Local\"\npeople=[\" \"]\n[http]\nlisten=\":0\"\n[mqtt]\nbroker=\"mqtt://a\"\nlisten=\"b\"\n[forward]\nevery_s=1e300\n",
		"[[bus]]\nname=\"a\"\n[[bus]]\nname=\"a\"\n[[shed.channel]]\nid=\"ambient.co\"\n[[shed.channel]]\nid=\"firebox\"\n[[shed.channel]]\n",
		"shed.id=\"pit\"\nengine=[{id=\"quillet\",working_pressure_bar=10,boiler_volume_l=400,channel=[{id=\"firebox\"},{id=\"firebox\"}]}]",
		one + "[engine]\n", "[[shed]]\n", "a.b.c.d=1\n[a.b]\n", "\"\xff\"=1", "x='''\n\n\n", one + "tanks=3\nboiler=1\n",
	} {
		f.Add(s)
	}
	scripts, err := filepath.Glob("../testdata/script/*.txt")
	if err != nil || len(scripts) == 0 {
		f.Fatal("no scripts", err)
	}
	if text, err := os.ReadFile("../testdata/script/check.txt"); err == nil {
		for _, part := range strings.Split(string(text), "-- ")[1:] {
			if _, body, ok := strings.Cut(part, "\n"); ok {
				f.Add(body)
			}
		}
	}
	f.Fuzz(holds)
}

// holds is what FuzzParse says.
func holds(t *testing.T, text string) {
	t.Helper()
	const name = "pit.toml"
	c, err := Parse(name, []byte(text))
	again, errAgain := Parse(name, []byte(text))
	if err != nil {
		faults, ok := err.(Faults)
		if !ok || len(faults) == 0 {
			t.Fatalf("in %q\ngot %T %v, want faults", text, err, err)
		}
		if !reflect.DeepEqual(c, Config{}) {
			t.Fatalf("in %q\nfaults %v\nand still %+v", text, err, c)
		}
		last, lines := 1, strings.Count(text, "\n")+1
		for _, f := range faults {
			if f.File != name || f.Line < last || f.Line > lines {
				t.Fatalf("in %q\nof %d lines: %q, after line %d", text, lines, f, last)
			}
			if len(f.Text) < 10 || strings.ContainsAny(f.Text, "\n\r") {
				t.Fatalf("in %q\nfault %q is not one line that says something", text, f)
			}
			last = f.Line
		}
		if errAgain == nil || errAgain.Error() != err.Error() {
			t.Fatalf("in %q\nfirst\n%v\nthen\n%v", text, err, errAgain)
		}
		return
	}
	if len(c.Engines) == 0 || c.Shed.Zone == nil {
		t.Fatalf("in %q\naccepted half: %+v", text, c)
	}
	var plain map[string]any
	if err := toml.Unmarshal([]byte(text), &plain); err != nil {
		t.Fatalf("in %q\naccepted what is no TOML: %v", text, err)
	}
	if where := noNumber("", plain); where != "" {
		t.Fatalf("in %q\n%s is no finite number and was accepted", text, where)
	}
	for _, e := range c.Engines {
		for k, v := range e.Limits {
			if math.IsInf(v, 0) {
				t.Fatalf("in %q\nlimit %s is %v", text, k, v)
			}
		}
		for id, ch := range e.Channels {
			if math.IsNaN(ch.Uncertainty) && ch.ID == "boiler.pressure" || math.IsInf(ch.Uncertainty, 0) || ch.Uncertainty <= 0 {
				t.Fatalf("in %q\nchannel %s has the uncertainty %v", text, id, ch.Uncertainty)
			}
		}
	}
	want := told(c)
	if got := told(again); errAgain != nil || got != want {
		t.Fatalf("in %q\nfirst %s\nthen  %s, %v", text, want, got, errAgain)
	}
	var raw file
	if err := toml.Unmarshal([]byte(text), &raw); err != nil {
		t.Fatal(err)
	}
	written, err := toml.Marshal(raw)
	if err != nil {
		t.Fatalf("in %q\nwritten: %v", text, err)
	}
	back, err := Parse(name, written)
	if got := told(back); err != nil || got != want {
		t.Fatalf("in %q\nread  %s\nwritten %s\nread again %s, %v", text, want, written, got, err)
	}
}

// FuzzValue holds the same of a file that is well but for one value, which may be
// anything.
func FuzzValue(f *testing.F) {
	lines := strings.Split(string(example.Fernhollow), "\n")
	// A channel that is mapped, and the table that the example only tells of.
	lines = append(lines, "[[engine.channel]]", `id = "steam.chest"`, "interval_s = 2", "uncertainty = 1.5", "range = [0, 1]", "[engine.channel.mapped]",
		`topic = "yard/+/p"`, `pointer = "/p"`, `unit = "bar"`, "scale = 0.01", "offset = 1", `node = "box-1"`,
		"[notify]", "escalate_min = 5", `page = "https://shed.fernhollow.example"`,
		"[notify.push]", `subject = "mailto:c@fernhollow.example"`,
		"[notify.mail]", `host = "127.0.0.1"`, "port = 25", `user = "shed"`, `password_file = "p"`, `from = "shed@fernhollow.example"`, `ca_file = "c"`, "starttls = false",
		"[notify.webhook]", `url = "https://gateway.example/a"`, `secret_file = "s"`, `ca_file = "c"`,
		"[notify.heartbeat]", `url = "https://watch.example/a"`, "every_s = 60", `secret_file = "s"`, `ca_file = "c"`,
		"[forward]", `url = "http://127.0.0.1:8428"`, `bucket = "engines"`, "every_s = 10")
	var keys []int
	for i, l := range lines {
		if key, _, ok := strings.Cut(l, "="); ok && !strings.HasPrefix(strings.TrimSpace(key), "#") {
			keys = append(keys, i)
		}
	}
	for i, v := range []string{
		"nan", "-inf", "0", "-0.0", "1e308", "9223372036854775807", `""`, `"nan bar"`, `"0x1p-4 bar"`, "[]", "{}", "true", "1979-05-27T07:32:00Z",
		`"a\u0000\n"`, "'''a\nb'''", `["1e999 bar", inf]`, "[1, 2, 3]", `"\U0001F682"`, "1\nid=2", `"../#/+"`,
	} {
		f.Add(uint16(i*7), v)
	}
	f.Fuzz(func(t *testing.T, which uint16, value string) {
		at := keys[int(which)%len(keys)]
		key, _, _ := strings.Cut(lines[at], "=")
		changed := slices.Clone(lines)
		changed[at] = key + "= " + value
		holds(t, strings.Join(changed, "\n"))
	})
}

// noNumber names a place in a parsed text where a number is none; "" if there is none.
func noNumber(at string, v any) string {
	switch v := v.(type) {
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return at
		}
	case map[string]any:
		for k, x := range v {
			if w := noNumber(at+"."+k, x); w != "" {
				return w
			}
		}
	case []any:
		for i, x := range v {
			if w := noNumber(fmt.Sprintf("%s[%d]", at, i), x); w != "" {
				return w
			}
		}
	}
	return ""
}

// told writes a configuration so that two can be compared: values for pointers,
// NaN as itself.
func told(c Config) string {
	zone := ""
	if c.Shed.Zone != nil {
		zone, c.Shed.Zone = c.Shed.Zone.String(), nil
	}
	for i := range c.Engines {
		c.Engines[i].Zone = nil
	}
	forward := Forward{}
	if c.Forward != nil {
		forward, c.Forward = *c.Forward, nil
	}
	return fmt.Sprintf("%s %+v %+v", zone, forward, c)
}
