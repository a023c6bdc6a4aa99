package edit_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"pgregory.net/rapid"

	"ashlamp/daemon/config/edit"
	example "ashlamp/testdata/config"
)

// failing is a test of either kind.
type failing interface {
	Helper()
	Fatalf(format string, args ...any)
}

func parse(t failing, text string) *edit.Document {
	t.Helper()
	d, err := edit.Parse([]byte(text))
	if err != nil {
		t.Fatalf("parse %q: %v", text, err)
	}
	return d
}

func TestOnlyWhatIsAskedForChanges(t *testing.T) {
	tests := []struct {
		name, in, want string
		do             func(d *edit.Document) error
	}{
		{
			name: "a value, its comment kept",
			in:   "[shed]\nid = \"pit\"   # the topic\nname=\"Pit\"\n",
			do:   func(d *edit.Document) error { return d.Set("shed.name", edit.Text("The pit")) },
			want: "[shed]\nid = \"pit\"   # the topic\nname=\"The pit\"\n",
		},
		{
			name: "the same value, however it is written",
			in:   "[shed]\naltitude_m = 0120.0e0",
			do:   func(d *edit.Document) error { return d.Set("shed.altitude_m", edit.Int(120)) },
			want: "refused",
		},
		{
			name: "the same value in another form stays as a person wrote it",
			in:   "[shed]\naltitude_m = 1.2e2 # high\n",
			do:   func(d *edit.Document) error { return d.Set("shed.altitude_m", edit.Int(120)) },
			want: "[shed]\naltitude_m = 1.2e2 # high\n",
		},
		{
			name: "a key behind the last of its table, before the comment of the next",
			in:   "[shed]\nid = \"pit\"\n\n# the page\n[http]\n",
			do:   func(d *edit.Document) error { return d.Set("shed.name", edit.Text("Pit")) },
			want: "[shed]\nid = \"pit\"\nname = \"Pit\"\n\n# the page\n[http]\n",
		},
		{
			name: "a key in an empty table at the end, without a line's end",
			in:   "[http]",
			do:   func(d *edit.Document) error { return d.Set("http.listen", edit.Text(":80")) },
			want: "[http]\nlisten = \":80\"\n",
		},
		{
			name: "a table that is not there",
			in:   "# mine\n[shed]\nid = \"pit\"\n",
			do:   func(d *edit.Document) error { return d.Set("mqtt.listen", edit.Text("0.0.0.0:1883")) },
			want: "# mine\n[shed]\nid = \"pit\"\n\n[mqtt]\nlisten = \"0.0.0.0:1883\"\n",
		},
		{
			name: "in nothing at all",
			in:   "",
			do:   func(d *edit.Document) error { return d.Set("shed.id", edit.Text("pit")) },
			want: "[shed]\nid = \"pit\"\n",
		},
		{
			name: "a table of the second element, before its channels",
			in:   "[[engine]]\nid = \"a\"\n\n[[engine]]\nid = \"b\"\n\n  [[engine.channel]]\n  id = \"firebox\"\n",
			do:   func(d *edit.Document) error { return d.Set("engine[1].limits.hold_s", edit.Number(90)) },
			want: "[[engine]]\nid = \"a\"\n\n[[engine]]\nid = \"b\"\n  [engine.limits]\n  hold_s = 90\n\n  [[engine.channel]]\n  id = \"firebox\"\n",
		},
		{
			name: "in a table of one line",
			in:   "[[engine]]\nlimits = { a = 1 } # few\n",
			do:   func(d *edit.Document) error { return d.Set("engine[0].limits.b", edit.Int(2)) },
			want: "[[engine]]\nlimits = { a = 1, b = 2 } # few\n",
		},
		{
			name: "in an empty table of one line",
			in:   "[[engine]]\nlimits = {}\n",
			do:   func(d *edit.Document) error { return d.Set("engine[0].limits.b", edit.Int(2)) },
			want: "[[engine]]\nlimits = { b = 2 }\n",
		},
		{
			name: "beside dotted keys",
			in:   "[[engine]]\nlimits.a = 1 # one\nid = \"x\"\n",
			do:   func(d *edit.Document) error { return d.Set("engine[0].limits.b", edit.Int(2)) },
			want: "[[engine]]\nlimits.a = 1 # one\nlimits.b = 2\nid = \"x\"\n",
		},
		{
			name: "a dotted key at the head",
			in:   "shed.id = \"pit\"\n",
			do:   func(d *edit.Document) error { return d.Set("shed.name", edit.Text("Pit")) },
			want: "shed.id = \"pit\"\nshed.name = \"Pit\"\n",
		},
		{
			name: "within elements of a list in one line",
			in:   "engine = [{id=\"a\"}, {id=\"b\",tanks=1}]\n",
			do:   func(d *edit.Document) error { return d.Set("engine[1].tanks", edit.Int(2)) },
			want: "engine = [{id=\"a\"}, {id=\"b\",tanks=2}]\n",
		},
		{
			name: "an element to a list in one line is a person's to add",
			in:   "engine = [{id=\"a\"}]\n",
			do:   func(d *edit.Document) error { _, err := d.Append("engine"); return err },
			want: "refused",
		},
		{
			name: "line ends of another system",
			in:   "[shed]\r\nid = \"pit\"\r\n",
			do:   func(d *edit.Document) error { return d.Set("shed.name", edit.Text("Pit")) },
			want: "[shed]\r\nid = \"pit\"\r\nname = \"Pit\"\r\n",
		},
		{
			name: "a value of several lines",
			in:   "[shed]\npeople = [\n  \"a\", # first\n  \"b\",\n] # all\nid = \"pit\"\n",
			do:   func(d *edit.Document) error { return d.Set("shed.people", edit.Texts([]string{"c"})) },
			want: "[shed]\npeople = [\"c\"] # all\nid = \"pit\"\n",
		},
		{
			name: "another engine",
			in:   "[[engine]]\nid = \"a\"\n  [[engine.channel]]\n  id = \"firebox\"\n  # perhaps more\n\n# the end\n",
			do: func(d *edit.Document) error {
				_, err := d.Append("engine", edit.Field{Key: "id", Value: edit.Text("b")})
				return err
			},
			want: "[[engine]]\nid = \"a\"\n  [[engine.channel]]\n  id = \"firebox\"\n\n[[engine]]\nid = \"b\"\n  # perhaps more\n\n# the end\n",
		},
		{
			name: "another channel of the first engine",
			in:   "[[engine]]\nid = \"a\"\n\n  [[engine.channel]]\n  id = \"firebox\"\n\n# ---\n[[engine]]\nid = \"b\"\n",
			do: func(d *edit.Document) error {
				_, err := d.Append("engine[0].channel", edit.Field{Key: "id", Value: edit.Text("smokebox")})
				return err
			},
			want: "[[engine]]\nid = \"a\"\n\n  [[engine.channel]]\n  id = \"firebox\"\n\n  [[engine.channel]]\n  id = \"smokebox\"\n\n# ---\n[[engine]]\nid = \"b\"\n",
		},
		{
			name: "a key gone with its comment, the comments about it kept",
			in:   "[shed]\n# who\nid = \"pit\"  # here\nname = \"Pit\"\n",
			do:   func(d *edit.Document) error { return d.Delete("shed.id") },
			want: "[shed]\n# who\nname = \"Pit\"\n",
		},
		{
			name: "a key of one line's table gone",
			in:   "[[engine]]\nlimits = { a = 1, b = 2, c = 3 }\n",
			do:   func(d *edit.Document) error { return d.Delete("engine[0].limits.b") },
			want: "[[engine]]\nlimits = { a = 1, c = 3 }\n",
		},
		{
			name: "an engine gone with its channels, not the rule above it",
			in:   "# one\n[[engine]]\nid = \"a\"\n  [engine.limits]\n  x = 1\n\n# two\n[[engine]]\nid = \"b\"\n\n  [[engine.channel]]\n  id = \"f\"\n\n# three\n[http]\n",
			do:   func(d *edit.Document) error { return d.Delete("engine[1]") },
			want: "# one\n[[engine]]\nid = \"a\"\n  [engine.limits]\n  x = 1\n\n# two\n\n# three\n[http]\n",
		},
		{
			name: "a channel gone with its source",
			in:   "[[engine]]\nid = \"a\"\n\n[[engine.channel]]\nid = \"f\"\n[engine.channel.wired]\nbus = \"b\"\n\n[[engine.channel]]\nid = \"g\"\n",
			do:   func(d *edit.Document) error { return d.Delete("engine[0].channel[0]") },
			want: "[[engine]]\nid = \"a\"\n\n[[engine.channel]]\nid = \"g\"\n",
		},
		{
			name: "what is not there is gone already",
			in:   "[shed]\n",
			do:   func(d *edit.Document) error { return d.Delete("shed.name") },
			want: "[shed]\n",
		},
		{
			name: "a number that is none",
			in:   "[shed]\n",
			do:   func(d *edit.Document) error { return d.Set("shed.altitude_m", edit.Number(math.NaN())) },
			want: "refused",
		},
		{
			name: "a list with an element on each line",
			in:   "  [a]\n  b = 1\n",
			do: func(d *edit.Document) error {
				return d.Set("a.points", edit.Lines(edit.Inline(edit.Field{Key: "x", Value: edit.Int(1)}), edit.Inline(edit.Field{Key: "x", Value: edit.Int(2)})))
			},
			want: "  [a]\n  b = 1\n  points = [\n    { x = 1 },\n    { x = 2 },\n  ]\n",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, err := edit.Parse([]byte(tt.in))
			if err == nil {
				err = tt.do(d)
			}
			if tt.want == "refused" {
				if err == nil {
					t.Fatalf("in %q\ngot %q, want a refusal", tt.in, d.Text())
				}
				return
			}
			if err != nil {
				t.Fatalf("in %q: %v", tt.in, err)
			}
			if got := string(d.Text()); got != tt.want {
				t.Errorf("in\n%s\ngot\n%s\nwant\n%s", tt.in, got, tt.want)
			}
		})
	}
}

func TestARefusalLeavesTheText(t *testing.T) {
	const text = "engine = [{id=\"a\"}]\n"
	d := parse(t, text)
	if err := d.Delete("engine[0]"); err == nil || !strings.Contains(err.Error(), "by hand") {
		t.Errorf("deleted from a list in one line: %v", err)
	}
	if string(d.Text()) != text {
		t.Errorf("the refused change left %q", d.Text())
	}
}

func TestFindsByKey(t *testing.T) {
	d := parse(t, string(example.Fernhollow))
	if n, m := d.Len("engine"), d.Len("engine[1].channel"); n != 2 || m != 9 {
		t.Errorf("engines %d, channels of the second %d; want 2 and 9", n, m)
	}
	if i := d.Find("engine", "id", "marrow"); i != 1 {
		t.Errorf("marrow is engine %d, want 1", i)
	}
	if i := d.Find("engine", "id", "nobody"); i != -1 {
		t.Errorf("nobody is engine %d", i)
	}
}

func TestValuesReadAsTheyAreGiven(t *testing.T) {
	at := time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)
	for _, tt := range []struct {
		v    edit.Value
		want any
	}{
		{edit.Text("a\"b\\c\nd\te\x00\x7fé"), "a\"b\\c\nd\te\x00\x7fé"},
		{edit.Number(0.1), 0.1},
		{edit.Number(1e300), 1e300},
		{edit.Number(-2.5e-9), -2.5e-9},
		{edit.Number(math.Copysign(0, -1)), int64(0)},
		{edit.Hex(0x48), int64(0x48)},
		{edit.Bool(true), true},
		{edit.Time(at), at},
		{edit.Texts(nil), []any{}},
	} {
		var m map[string]any
		if err := toml.Unmarshal([]byte("v = "+tt.v.String()), &m); err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(m["v"]); got != fmt.Sprint(tt.want) {
			t.Errorf("%s reads as %v, want %v", tt.v, got, tt.want)
		}
	}
}

// comments are the comment lines of a text, in order, and those behind a value.
func comments(text string) []string {
	var out []string
	for _, l := range strings.Split(text, "\n") {
		if s := strings.TrimSpace(l); strings.HasPrefix(s, "#") {
			out = append(out, s)
		}
	}
	return out
}

// TestAnyChangesLeaveTheRest: over the commented example, any row of changes keeps
// every comment line that is not inside what was deleted, keeps each untouched line
// in order with its bytes, and reads as what was asked for.
func TestAnyChangesLeaveTheRest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := parse(t, string(example.Fernhollow))
		for range rapid.IntRange(1, 6).Draw(t, "changes") {
			before := string(d.Text())
			engine := rapid.IntRange(0, 1).Draw(t, "engine")
			path := edit.At("engine", engine)
			key := rapid.SampledFrom([]string{"name", "tanks", "new_key", "limits.hold_s", "limits.blow_down_max_bar", "by_word.fire-out"}).Draw(t, "key")
			path += "." + key
			n := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
			if err := d.Set(path, edit.Number(n)); err != nil {
				t.Fatalf("set %s: %v", path, err)
			}
			after := string(d.Text())
			if got, want := comments(after), comments(before); !slices.Equal(got, want) {
				t.Fatalf("set %s: comments %v, want %v", path, got, want)
			}
			if changed := differing(before, after); changed > 2 {
				t.Fatalf("set %s: %d lines differ\n%s", path, changed, after)
			}
			if again := parse(t, after); !again.Has(path) || string(again.Text()) != after {
				t.Fatalf("set %s: it reads otherwise:\n%s", path, after)
			}
			if rapid.Bool().Draw(t, "take back") {
				if err := d.Delete(path); err != nil {
					t.Fatalf("delete %s: %v", path, err)
				}
				if d.Has(path) {
					t.Fatalf("%s is still there:\n%s", path, d.Text())
				}
				if got, want := comments(string(d.Text())), comments(before); !slices.Equal(got, want) {
					t.Fatalf("delete %s: comments %v, want %v", path, got, want)
				}
			}
		}
	})
}

// differing is how many lines are in one text and not, in their place, in the other.
func differing(a, b string) int {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	i := 0
	for i < len(x) && i < len(y) && x[i] == y[i] {
		i++
	}
	j := 0
	for j < len(x)-i && j < len(y)-i && x[len(x)-1-j] == y[len(y)-1-j] {
		j++
	}
	return max(len(x), len(y)) - i - j
}

// FuzzEdit holds of any text that is TOML: a key that is set reads as it was set, all
// else reads as before, what was there keeps its order and bytes but for the one place
// that changed, and what was set anew and deleted again leaves what was there.
func FuzzEdit(f *testing.F) {
	f.Add(string(example.Fernhollow), "engine", "id", "quillet", 1.5)
	f.Add("[[engine]]\nlimits = { a = 1, b = 2 }\n", "engine", "limits", "a", 2.0)
	f.Add("a.b.c = 1\n[x]\n\"q u\" = '''\n\n'''", "a", "b", "d", 0.0)
	f.Add("engine=[{id=\"a\",channel=[{id=\"f\"},{}]}]", "engine", "channel", "id", 3.0)
	f.Add("[a]\r\nb=[ # x\r\n1,\r\n]\r\n", "a", "b", "", -1e300)
	f.Fuzz(func(t *testing.T, text, table, key, second string, n float64) {
		d, err := edit.Parse([]byte(text))
		if err != nil || !utf8.ValidString(table+key+second) {
			return
		}
		paths := []string{edit.Join("", table), edit.Join("", table, key), edit.Join("", table, key, second)}
		if d.Len(edit.Join("", table)) > 0 {
			paths = append(paths, edit.Join(edit.At(edit.Join("", table), 0), key), edit.Join(edit.At(edit.Join("", table), 0), key, second))
		}
		for _, path := range paths {
			before, had := string(d.Text()), d.Has(path)
			if err := d.Set(path, edit.Number(n)); err != nil {
				if string(d.Text()) != before {
					t.Fatalf("in %q\nset %s was refused (%v) and left %q", before, path, err, d.Text())
				}
				continue
			}
			after := string(d.Text())
			if !d.Has(path) {
				t.Fatalf("in %q\nset %s gave %q, which has it not", before, path, after)
			}
			if !had {
				if err := d.Delete(path); err == nil && d.Has(path) {
					t.Fatalf("in %q\ndelete %s left it in %q", after, path, d.Text())
				}
			}
		}
		if at, err := d.Append(edit.Join("", table), edit.Field{Key: "id", Value: edit.Text(second)}); err == nil {
			if d.Find(edit.Join("", table), "id", second) < 0 {
				t.Fatalf("appended %s is not found in %q", at, d.Text())
			}
			if err := d.Delete(at); err != nil {
				t.Fatalf("what was appended cannot be deleted: %v\n%q", err, d.Text())
			}
		}
	})
}
