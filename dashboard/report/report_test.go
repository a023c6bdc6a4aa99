package report_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/report"
	"ashlamp/dashboard/report/reporttest"
	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/caution"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

var begun = time.Date(2031, 5, 4, 14, 30, 0, 0, time.UTC)

func at(minutes float64) time.Time {
	return begun.Add(time.Duration(minutes * float64(time.Minute)))
}

// least is the least of which a report can be drawn up.
func least() report.Evening {
	return report.Evening{
		Shed:   "Fernhollow shed",
		Engine: engine.Engine{ID: "quillet", Name: "Quillet", WorkingPressure: 10, BoilerVolume: 400, Tanks: 2, BlowDownPipe: true, LayUp: telemetry.Dry, EmptiedBy: engine.Empty, Altitude: 120, Limits: limit.Defaults(10, 400)},
		ID:     "20310504t143000", Begun: begun, Ended: at(240), Until: at(240), HowBegun: disposal.Said, HowEnded: disposal.Said,
		Book: report.Book{Unbroken: true},
	}
}

// drawn writes the report, reads it and returns its words in one line, and page by page.
// With ASHLAMP_LOOK set to a folder it is left there to be looked at.
func drawn(t *testing.T, e report.Evening) (all string, pages []string) {
	t.Helper()
	var b bytes.Buffer
	if err := report.Write(&b, e); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if look := os.Getenv("ASHLAMP_LOOK"); look != "" {
		dir = look
	}
	name := filepath.Join(dir, strings.NewReplacer("/", "-", " ", "-").Replace(t.Name())+".pdf")
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	pages = reporttest.Read(t, name)
	return squeezed(strings.Join(pages, "\n")), pages
}

func squeezed(s string) string { return strings.Join(strings.Fields(s), " ") }

func says(t *testing.T, all string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(all, w) {
			t.Errorf("the report does not say %q", w)
		}
	}
}

// TestNothingIsKnown: of an evening of which nothing was kept every section says so, and
// nowhere stands a number in its place.
func TestNothingIsKnown(t *testing.T) {
	all, pages := drawn(t, least())
	says(t, all, "No alarm was raised.", "nothing was judged", "Pressure: not measured on this engine", "Firebox: not measured on this engine",
		"No summary was drawn up of this disposal; its figures are not known.", "No confirmation was given.",
		"No sample was received, and no channel is configured.", "Nothing was written into the engine's book.",
		"nothing tells that it was done: Drop the fire, Move in steam", "Drain tanks was never proven, and nothing tells that it was done.", "not judged", "by height alone")
	if m := regexp.MustCompile(`\bNaN\b|±Inf|0001`).FindString(all); m != "" {
		t.Errorf("the report says %q", m)
	}
	advice := squeezed(caution.AdviceLine)
	for i, p := range pages {
		if flat := regexp.MustCompile(` Page \d+ of \d+`).ReplaceAllString(squeezed(p), ""); !strings.Contains(flat, advice) {
			t.Errorf("page %d has not the advice line", i+1)
		}
	}
}

// TestMeasuredAndNotHeard: a channel that is configured and silent is told of first.
func TestMeasuredAndNotHeard(t *testing.T) {
	e := least()
	e.Engine.Channels = map[telemetry.Channel]engine.Channel{
		telemetry.BoilerPressure: {ID: telemetry.BoilerPressure, Uncertainty: 6000}, telemetry.TankLeft: {ID: telemetry.TankLeft, Uncertainty: 0.015},
	}
	all, pages := drawn(t, e)
	says(t, squeezed(pages[0]), "Configured as measured, and not heard: Pressure and Left tank.", "Pressure: no sample that is not bad was received")
	says(t, all, "all of it", "±0.015", "zero band ±0.06")
}

// full has something of everything.
func full() report.Evening {
	e := least()
	e.Engine.Zone = time.FixedZone("+0545", 5*3600+45*60) // a quarter of an hour off, as there are
	e.Engine.Channels = map[telemetry.Channel]engine.Channel{}
	for _, c := range []telemetry.Channel{telemetry.BoilerPressure, telemetry.ShellTop, telemetry.ShellBottom, telemetry.Firebox, telemetry.Smokebox, telemetry.BoilerLevel} {
		e.Engine.Channels[c] = engine.Channel{ID: c, Uncertainty: engine.DefaultUncertainty(c, math.NaN())}
	}
	e.Series = map[telemetry.Channel][]telemetry.Bucket{}
	for c := range e.Engine.Channels {
		for i := range 480 {
			if i > 200 && i < 260 {
				continue // a gap
			}
			v := map[telemetry.Channel]float64{telemetry.BoilerPressure: 6e5, telemetry.BoilerLevel: 0.8}[c]
			if v == 0 {
				v = 300
			}
			v *= math.Exp(-float64(i) / 100)
			e.Series[c] = append(e.Series[c], telemetry.Bucket{From: at(float64(i) / 2), To: at(float64(i+1) / 2), Min: v * 0.98, Mean: v, Max: v * 1.02, Count: 3, Worst: telemetry.Good})
		}
		e.Tallies = append(e.Tallies, report.Tally{Channel: c, Good: 1200, Bad: 3, First: begun, Last: at(239), Lowest: 1, Highest: 2, LongestFrom: at(100), LongestTo: at(130),
			Flaws: []report.Flaw{{Quality: telemetry.Bad, Reason: "open couple", Samples: 3, First: at(1), Last: at(2)}}})
	}
	change := func(m float64, step string, v verdict.Verdict, text string) {
		e.Verdicts = append(e.Verdicts, verdict.Change{At: at(m), Engine: "quillet", Step: step, Verdict: v, Because: []verdict.Reason{{Evidence: "x", Verdict: v, Text: text}}})
	}
	say := func(m float64, k telemetry.Kind, subject, by string) {
		e.Said = append(e.Said, report.Said{Event: telemetry.Event{At: at(m), Kind: k, Subject: subject, By: by}, After: len(e.Verdicts)})
	}
	for _, s := range rules.Steps() {
		change(-30, s.ID, verdict.CannotTell, "Nothing heard yet.")
		change(1, s.ID, verdict.NotYet, "Firebox reads 900 °C ± 6.8, to be under 400.")
	}
	change(10, "drop-fire", verdict.Proven, "Water reads 0.80 ± 0.03 of the glass.")
	say(12, telemetry.Confirmed, "fire-dropped", "Łucja Żurek")
	change(12, "drop-fire", verdict.NotYet, "Ended at the very moment of the word.") // written after it
	say(40, telemetry.Confirmed, "plugs-removed", "R. Penhalow")                     // never proven before
	change(60, "open-smokebox", verdict.Proven, "Smokebox reads 100 °C ± 2.5.")
	change(63, "open-smokebox", verdict.CannotTell, "Has the couple come off?")
	say(70, telemetry.Confirmed, "smokebox-ajar", "山田")
	say(200, telemetry.DisposalEnded, "", "")
	e.Said[0].EndedAt, e.Said[0].EndedWhy = at(240), "the disposal ended"
	for _, x := range []struct {
		m     float64
		state alarm.State
		by    string
	}{{80, alarm.Unacknowledged, ""}, {90, alarm.Acknowledged, "T. Oxley"}, {100, alarm.Normal, ""}, {150, alarm.Unacknowledged, ""}, {160, alarm.ReturnedUnacknowledged, ""}} {
		e.Alarms = append(e.Alarms, alarm.Change{At: at(x.m), Watch: "vacuum", State: x.state, Priority: alarm.Medium, Text: "−0.12 bar in the boiler", By: x.by})
	}
	e.Alarms = append(e.Alarms, alarm.Change{At: at(170), Watch: "sensors-disagree", State: alarm.Unacknowledged, Priority: alarm.Medium, Text: "Shell, top and bottom differ."})
	fire, loss, lo := at(12), cooldown.Rate{Value: 0.04123, Means: 59, Hours: 1.5}, 0.039
	hi := 0.043
	loss.Lo, loss.Hi = &lo, &hi
	yes := true
	e.Passages = []rules.Passage{{At: at(12), Phase: disposal.FireDropped}, {At: at(240), Phase: disposal.LaidUp, Event: "ended"}}
	e.Others = []report.Other{
		{At: at(50), Kind: "limit-changed", By: "R. Penhalow"},
		{At: at(51), Kind: "configured", By: "T. Oxley", Text: "Limits of the engine were changed in the configuration: drop_min_bar = 5."},
	}
	e.Summary = &cooldown.Summary{Engine: "quillet", Begun: begun, LayUp: telemetry.Dry, Passed: cooldown.Passed{FireOut: &fire}, HeatLoss: &loss, Samples: 12,
		Forecasts: []cooldown.Outcome{{Target: "pressure-zero", Assuming: "as-is", MadeAt: at(20), Eta: at(100), Reached: at(110), ErrorS: 600, Within: &yes}}}
	e.Book = report.Book{First: 3, Last: 9, At: at(240), Hash: [32]byte{0xab, 0xcd}, Unbroken: true}
	return e
}

func TestWhatWasNotProvenComesFirst(t *testing.T) {
	all, pages := drawn(t, full())
	first := squeezed(pages[0])
	says(t, first, "Plugs out was not proven before it was done at 20:55: “not yet” (Firebox reads 900 °C ± 6.8, to be under 400).",
		"Open smokebox was proven from 21:15 to 21:18, and said to be done at 21:25 as “cannot tell” (Has the couple come off?).",
		"House was not proven before it was done at 23:35", "Of seven steps, one stood proven when done.",
		"Three alarms were raised: Vacuum in the boiler and Two sensors disagree; two never acknowledged.")
	says(t, first, "Disposed by (name, signature)", "Examined by (name, signature)", fmt.Sprintf("1 of %d", len(pages)))
	// Times are the shed's, and the scale is whole by its clock.
	says(t, first, "20:15 to 5 May 00:15", "21:00", "22:30")
	if strings.Contains(first, " 20:45 ") {
		t.Error("the scale of time is not whole by the clock of the shed")
	}
	says(t, all, "0.0412 1/h", "0.0390 to 0.0430", "59 means over 1.5 h", "1 of 1 within", "came 10 min later than told",
		"9:abcd0000", "entry 1 to entry 9 was followed and is unbroken", "Łucja Żurek", "nobody named", "over, not acknowledged", "T. Oxley",
		"3 bad", "30 min, from", "open couple.", "Phase: fire dropped", "In the book: limit changed R. Penhalow", "Limits of the engine were changed in the configuration: drop_min_bar = 5. T. Oxley", "Says that the engine is housed nobody named")
	// A default that follows from the volume is told as finely as the volume is known.
	if says(t, all, "17.9 mm by default"); strings.Contains(all, "17.88") {
		t.Error("the default bore of the cocks is told to a ten-thousandth of a millimetre")
	}
	if strings.Contains(all, "Phase: laid up") {
		t.Error("the end of the disposal is told as a phase")
	}
}

// TestTheSameEveningGivesTheSameBytes: also where maps were filled in another order.
func TestTheSameEveningGivesTheSameBytes(t *testing.T) {
	var first []byte
	for range 5 {
		var b bytes.Buffer
		e := full()
		// Tallies come in order of name; here they were made from a map.
		e.Tallies = nil
		if err := report.Write(&b, e); err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = b.Bytes()
		} else if !bytes.Equal(first, b.Bytes()) {
			t.Fatal("two reports of the same evening differ")
		}
	}
}

// TestMuchOfEverything: long texts, many words and alarms, days instead of hours.
func TestMuchOfEverything(t *testing.T) {
	e := full()
	e.Engine.Name = "The Honourable Company's Locomotive Number Fourteen, Quillet"
	e.Shed = "Fernhollow Light Railway, the shed beyond the level crossing at Upper Fernhollow"
	e.Ended, e.Until = at(60*24*9), at(60*24*9)
	for i := range 60 {
		e.Said = append(e.Said, report.Said{Event: telemetry.Event{At: at(5 + 3*float64(i)), Kind: telemetry.Confirmed, Subject: "ash-pan-shut", By: "A person with a rather long name, and her apprentice"}, EndedAt: at(6 + 3*float64(i)), EndedWhy: "its time ran out"})
		e.Alarms = append(e.Alarms, alarm.Change{At: at(10 + float64(i)), Watch: "co", State: alarm.Unacknowledged, Priority: alarm.High, Text: strings.Repeat("Carbon monoxide reads 120 ppm; get out. ", 4)},
			alarm.Change{At: at(10.5 + float64(i)), Watch: "co", State: alarm.Normal, Priority: alarm.High})
	}
	e.Verdicts = append(e.Verdicts, verdict.Change{At: at(4), Step: "drain-tanks", Verdict: verdict.Proven, Because: []verdict.Reason{{Verdict: verdict.Proven, Text: strings.Repeat("word ", 3000) + strings.Repeat("x", 400)}}})
	all, pages := drawn(t, e)
	says(t, all, "60", "Z: Carbon monoxide", "A2: Carbon")
	says(t, squeezed(pages[0]), "Disposed by (name, signature)")
	if len(pages) < 10 {
		t.Errorf("%d pages, want many", len(pages))
	}
}

func TestABrokenBookIsToldFirst(t *testing.T) {
	e := full()
	e.Book.Unbroken, e.Book.Broken = false, "the book of engine \"quillet\" is broken at entry 4: changed"
	all, pages := drawn(t, e)
	_, after, ok := strings.Cut(squeezed(pages[0]), "(+0545, UTC+05:45) ")
	if !ok {
		_, after, ok = strings.Cut(squeezed(pages[0]), "times of +0545 ")
	}
	if !ok || !strings.HasPrefix(after, "The engine's book does not hold") {
		t.Errorf("the first page is %s", squeezed(pages[0]))
	}
	says(t, all, "THE CHAIN DOES NOT HOLD")
	e.Book.Unbroken = true // broken only after the disposal's last entry
	all, _ = drawn(t, e)
	says(t, all, "is unbroken. After it: the book of engine")
}

// TestLeftWithItsWater: steps that only an emptied engine goes through are none of that
// evening's order.
func TestLeftWithItsWater(t *testing.T) {
	e := full()
	e.Engine.LayUp, e.Summary.LayUp = telemetry.Short, telemetry.Short
	all, pages := drawn(t, e)
	says(t, squeezed(pages[0]), "Of three steps", "house at 180", "short, with water")
	says(t, all, "not of this evening's order")
}

func TestHowItBeganAndEnded(t *testing.T) {
	for why, words := range map[disposal.Why]string{disposal.Superseded: "It ended as another disposal was begun", disposal.Lit: "It ended as a fire was said to be lit."} {
		t.Run(string(why), func(t *testing.T) {
			e := least()
			e.HowBegun, e.HowEnded = disposal.Found, why
			_, pages := drawn(t, e)
			says(t, squeezed(pages[0]), "Nobody said that it began", words)
		})
	}
}

func TestAnOpenDisposal(t *testing.T) {
	e := full()
	e.Ended, e.HowEnded = time.Time{}, ""
	_, pages := drawn(t, e)
	says(t, squeezed(pages[0]), "This disposal was not over when the record was drawn up.", "told up to 5 May 00:15")
}

type noRoom struct{}

func (noRoom) Write([]byte) (int, error) { return 0, errors.New("no room") }

func TestWhatCannotBeDrawn(t *testing.T) {
	e := least()
	e.Until = e.Begun
	if err := report.Write(&bytes.Buffer{}, e); err == nil || !strings.Contains(err.Error(), "nothing can be drawn") {
		t.Errorf("no time at all: %v", err)
	}
	if err := report.Write(noRoom{}, least()); err == nil || !strings.Contains(err.Error(), "no room") {
		t.Errorf("a full disk: %v", err)
	}
}
