package message

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var evening = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

func changes() *rapid.Generator[Change] {
	return rapid.Custom(func(t *rapid.T) Change {
		c := Change{
			At:     evening.Add(time.Duration(rapid.IntRange(0, 1e6).Draw(t, "at"))),
			Engine: "quillet",
		}
		maybe := func(name string, set func()) {
			if rapid.Bool().Draw(t, name) {
				set()
			}
		}
		word := func(name string) string { return rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, name) }
		maybe("phase", func() { v := word("phase"); c.Phase = &v })
		maybe("front", func() { v := word("front"); c.Front = &v })
		maybe("lay-up", func() { v := telemetry.LayUp(word("lay-up")); c.LayUp = &v })
		maybe("disposal", func() { c.Disposal = &Disposal{ID: word("disposal")} })
		maybe("asks", func() { c.Asks = &[]Ask{{Confirm: word("ask")}} })
		maybe("no asks", func() { c.Asks = &[]Ask{} })
		maybe("forecasts", func() { c.Forecasts = &[]Forecast{{Forecast: word("forecast")}} })
		maybe("alarms", func() { c.Alarms = &[]Alarm{{ID: word("alarm")}} })
		maybe("confirmations", func() { c.Confirmations = &[]Given{{Confirm: word("given")}} })
		maybe("energy", func() { c.Energy = &Energy{Why: word("why")} })
		maybe("marks", func() { c.Marks = &map[string]float64{word("mark"): 1} })
		maybe("channels", func() {
			c.Channels = map[telemetry.Channel]Reading{telemetry.Channel(word("channel")): {AgeS: rapid.Float64Range(0, 9).Draw(t, "age")}}
		})
		maybe("steps", func() {
			c.Steps = []Step{{ID: word("step"), Verdict: verdict.Verdict(rapid.IntRange(0, 2).Draw(t, "verdict"))}}
		})
		return c
	})
}

func text(t interface{ Fatal(...any) }, v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func first() Snapshot {
	return Snapshot{
		At: evening, Engines: []Engine{{ID: "quillet"}, {ID: "marrow"}},
		States: []State{{Engine: "marrow", Phase: "housed"}, {Engine: "quillet", Steps: []Step{{ID: "b"}, {ID: "a"}}}},
	}
}

func TestMergedChangesDoWhatTheyDoOneAfterAnother(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := changes().Draw(t, "a"), changes().Draw(t, "b")
		if b.At.Before(a.At) {
			a.At, b.At = b.At, a.At
		}
		want := text(t, first().With(a).With(b))
		if got := text(t, first().With(a.Then(b))); got != want {
			t.Fatalf("%s then %s:\n got %s\nwant %s", text(t, a), text(t, b), got, want)
		}
	})
}

func TestApplyingAltersNothingThatWasThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := changes().Draw(t, "a"), changes().Draw(t, "b")
		s := first().With(a)
		before, changeA, changeB := text(t, s), text(t, a), text(t, b)
		s.With(b)
		a.Then(b)
		if text(t, s) != before || text(t, a) != changeA || text(t, b) != changeB {
			t.Fatalf("with %s: %s became %s, or a change did", changeB, before, text(t, s))
		}
	})
}

func TestChangeOfOneEngineLeavesTheOthers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		got := first().With(changes().Draw(t, "change"))
		if text(t, got.States[0]) != text(t, first().States[0]) || text(t, got.Engines[1]) != text(t, first().Engines[1]) {
			t.Fatalf("marrow became %s", text(t, got))
		}
	})
	c := Change{At: evening.Add(time.Hour), Engine: "nettle"}
	if got := text(t, first().With(c)); got != text(t, first()) {
		t.Errorf("a change of an engine that is not there: got %s", got)
	}
}

func TestStepsKeepTheirOrder(t *testing.T) {
	got := first().With(Change{Engine: "quillet", Steps: []Step{{ID: "c"}, {ID: "a", Title: "new"}}}).States[1].Steps
	var ids []string
	for _, s := range got {
		ids = append(ids, s.ID+s.Title)
	}
	if strings.Join(ids, " ") != "b anew c" {
		t.Errorf("got %v, want b, a with its new title, c", ids)
	}
}

func TestWholeLeavesNoNullList(t *testing.T) {
	none := new([]Ask)
	for name, v := range map[string]any{
		"snapshot": Snapshot{Engines: []Engine{{}}, States: []State{{Steps: []Step{{}}}}}.Whole(),
		"nothing":  Snapshot{}.Whole(),
		"change":   Change{Steps: []Step{{}}, Asks: none, Forecasts: new([]Forecast), Alarms: new([]Alarm), Confirmations: new([]Given), Marks: new(map[string]float64)}.Whole(),
		"lanes":    Lanes{Lanes: []Lane{{}}}.Whole(),
		"no lanes": Lanes{}.Whole(),
	} {
		if got := text(t, v); strings.Contains(got, "null") {
			t.Errorf("%s: got %s, want no null", name, got)
		}
	}
	if *none != nil {
		t.Error("Whole altered the list that it was given")
	}
	if got := text(t, Change{Engine: "quillet"}.Whole()); strings.Contains(got, "asks") || strings.Contains(got, "steps") {
		t.Errorf("what did not change is said: %s", got)
	}
}
