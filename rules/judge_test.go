package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

func TestAGoodEveningIsProvenStepByStep(t *testing.T) {
	v := newEvening(t, quillet())
	v.inSteam()
	v.want("drop-fire", verdict.NotYet)
	v.say("glasses-proved")
	v.want("drop-fire", verdict.Proven)
	v.say("ash-pan-shut", "brake-tried")
	v.want("move-under-steam", verdict.Proven)
	v.want("blow-down", verdict.NotYet)

	v = newEvening(t, quillet())
	v.dropped()
	v.say("at-blow-down-place", "people-clear")
	v.want("blow-down", verdict.Proven)

	v = newEvening(t, quillet())
	v.blownDown()
	v.want("plugs-out", verdict.NotYet)
	v.say("vent-open", "cocks-run-dry")
	v.run(10)
	v.want("plugs-out", verdict.Proven)
	v.say("plugs-removed", "blower-shut", "ash-cleared", "drain-clear")
	v.ramp(telemetry.Firebox, 140, 80, 4000)
	v.ramp(telemetry.Smokebox, 118, 70, 4000)
	v.ramp(telemetry.ShellTop, 118, 66, 4000)
	v.ramp(telemetry.ShellBottom, 118, 66, 4000)
	v.run(600)
	v.want("open-smokebox", verdict.Proven)
	v.say("smokebox-ajar")
	v.run(3300)
	v.say("ash-pan-shut")
	v.want("house", verdict.Proven)
}

// TestNothingHeardProvesNothing: each channel alone taken away, or turned bad,
// makes every step that needs it cannot-tell within its limit.
func TestNothingHeardProvesNothing(t *testing.T) {
	needs := map[telemetry.Channel]string{
		telemetry.BoilerPressure: "plugs-out", telemetry.BlowdownPipe: "plugs-out", telemetry.BoilerLevel: "plugs-out",
	}
	for id, step := range needs {
		for _, how := range []string{"silent", "bad", "nan"} {
			t.Run(string(id)+" "+how, func(t *testing.T) {
				v := newEvening(t, quillet())
				v.blownDown()
				v.say("vent-open", "cocks-run-dry")
				v.run(10)
				v.want(step, verdict.Proven)
				switch how {
				case "silent":
					v.drop(id)
				case "bad":
					v.bad[id] = "open thermocouple"
				case "nan":
					v.set(id, math.NaN())
				}
				v.run(70)
				v.want(step, verdict.CannotTell)
			})
		}
	}
}

func TestWithoutSamplesEveryStepIsUnknown(t *testing.T) {
	v := newEvening(t, quillet())
	v.take(v.judge.Advance(start))
	for _, s := range v.judge.State().Steps {
		if s.ID == "drain-tanks" || s.ID == "seal-dry" {
			continue
		}
		v.want(s.ID, verdict.CannotTell)
	}
}

func TestPressureZero(t *testing.T) {
	word := func(v *evening) { v.say("vent-open", "cocks-run-dry"); v.run(10) }
	tests := []struct {
		name string
		do   func(v *evening)
		want verdict.Verdict
		says string
	}{
		{"at the edge of its band", func(v *evening) { v.set(telemetry.BoilerPressure, 4000); v.run(400) }, verdict.Proven, "inside the gauge's own"},
		{"a step over the edge", func(v *evening) { v.set(telemetry.BoilerPressure, 4001); v.run(400) }, verdict.NotYet, "zero is inside"},
		{"at the lower edge", func(v *evening) { v.set(telemetry.BoilerPressure, -4000); v.run(400) }, verdict.Proven, ""},
		{"vacuum", func(v *evening) { v.set(telemetry.BoilerPressure, -31000); v.run(400) }, verdict.NotYet, "vacuum is not zero"},
		{"held a sample too short", func(v *evening) {
			v.set(telemetry.BoilerPressure, 9000)
			v.run(10)
			v.set(telemetry.BoilerPressure, 0)
			v.run(300)
		}, verdict.NotYet, "4 min of 5"},
		{"one good sample outside restarts the hold", func(v *evening) {
			v.run(400)
			v.set(telemetry.BoilerPressure, 9000)
			v.run(5)
			v.set(telemetry.BoilerPressure, 0)
			v.run(200)
		}, verdict.NotYet, ""},
		{"one bad sample does not", func(v *evening) {
			v.run(400)
			v.bad[telemetry.BoilerPressure] = "bus error"
			v.run(5)
			delete(v.bad, telemetry.BoilerPressure)
			v.run(5)
		}, verdict.Proven, ""},
		{"a gap restarts it", func(v *evening) {
			v.run(400)
			f := v.reads[telemetry.BoilerPressure]
			v.drop(telemetry.BoilerPressure)
			v.run(20)
			v.reads[telemetry.BoilerPressure] = f
			v.run(200)
		}, verdict.NotYet, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := newEvening(t, quillet())
			v.blownDown()
			word(v)
			tt.do(v)
			text := v.wantEvidence("plugs-out", "pressure-zero", tt.want)
			if !strings.Contains(text, tt.says) {
				t.Errorf("says %q, want it to say %q", text, tt.says)
			}
		})
	}
}

func TestACoarseTransducerProvesNothingAboutZero(t *testing.T) {
	for _, tt := range []struct {
		u    float64
		want verdict.Verdict
	}{{10000, verdict.Proven}, {10001, verdict.CannotTell}, {math.NaN(), verdict.CannotTell}} {
		v := newEvening(t, quillet(func(e *engine.Engine) {
			e.Channels[telemetry.BoilerPressure] = engine.Channel{ID: telemetry.BoilerPressure, Uncertainty: tt.u}
		}))
		v.blownDown()
		v.set(telemetry.BoilerPressure, 0)
		v.run(400)
		if b := v.evidence("plugs-out", "pressure-zero"); b.Verdict != tt.want {
			t.Errorf("uncertainty %g Pa: %s, want %s: %s", tt.u, b.Verdict, tt.want, b.Text)
		}
	}
}

// TestAZeroIsBelievedOnlyAfterFollowing: the same zero, with different pasts.
func TestAZeroIsBelievedOnlyAfterFollowing(t *testing.T) {
	t.Run("never seen under steam, shell cold", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.set(telemetry.BoilerPressure, 0)
		v.set(telemetry.ShellTop, 40)
		v.run(600)
		v.wantEvidence("plugs-out", "pressure-zero", verdict.CannotTell)
		v.say("gauge-tried")
		v.wantEvidence("plugs-out", "pressure-zero", verdict.Proven)
	})
	t.Run("stands still while the shell falls", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.inSteam()
		v.say("fire-dropped")
		v.set(telemetry.BoilerPressure, 6e5)
		v.ramp(telemetry.ShellTop, onTheLine(t, 6), onTheLine(t, 2), 3600)
		v.run(3600)
		v.set(telemetry.BoilerPressure, 0)
		v.run(400)
		v.wantEvidence("plugs-out", "pressure-zero", verdict.CannotTell)
	})
	t.Run("zero while the shell says steam, and no blow-down seen", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.dropped()
		v.set(telemetry.BoilerPressure, 0)
		v.set(telemetry.ShellTop, onTheLine(t, 3))
		v.set(telemetry.ShellBottom, onTheLine(t, 3))
		v.run(400)
		text := v.wantEvidence("plugs-out", "pressure-zero", verdict.CannotTell)
		if !strings.Contains(text, "gauge") {
			t.Errorf("says %q, want it to send someone to the gauge", text)
		}
	})
}

func TestSeenEmpty(t *testing.T) {
	tests := []struct {
		name string
		do   func(v *evening)
		want verdict.Verdict
	}{
		{"as it should be", func(v *evening) { v.blownDown(); v.say("cocks-run-dry"); v.run(5) }, verdict.Proven},
		{"nobody said that the cocks run dry", func(v *evening) { v.blownDown() }, verdict.NotYet},
		{"said before the pipe fell", func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 101)
			v.ramp(telemetry.BoilerLevel, 0.7, 0, 180)
			v.steamFalling(3, 0.01, 600)
			v.run(600)
			v.say("cocks-run-dry")
			v.ramp(telemetry.BlowdownPipe, 100, 55, 300)
			v.run(600)
		}, verdict.NotYet},
		{"the cock shut as the glass went empty", func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 101)
			v.ramp(telemetry.BoilerLevel, 0.7, 0, 120)
			v.steamFalling(3, 2.6, 120)
			v.run(120)
			v.ramp(telemetry.BlowdownPipe, 100, 40, 300)
			v.run(600)
			v.say("cocks-run-dry")
			v.run(5)
		}, verdict.CannotTell},
		{"a passing cock empties the glass in an hour, then is shut", func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 99)
			v.ramp(telemetry.BoilerLevel, 0.7, 0, 3600)
			v.steamFalling(3, 2.5, 3600)
			v.run(3600)
			v.ramp(telemetry.BlowdownPipe, 99, 40, 300)
			v.run(600)
			v.say("cocks-run-dry")
			v.run(5)
		}, verdict.CannotTell},
		{"a pipe that is only warm", func(v *evening) {
			v.dropped()
			v.set(telemetry.BlowdownPipe, 80)
			v.ramp(telemetry.BoilerLevel, 0.7, 0, 180)
			v.steamFalling(3, 0.01, 600)
			v.run(600)
			v.ramp(telemetry.BlowdownPipe, 80, 40, 300)
			v.run(400)
			v.say("cocks-run-dry")
			v.run(5)
		}, verdict.CannotTell},
		{"the pipe grows hot again", func(v *evening) {
			v.blownDown()
			v.say("cocks-run-dry")
			v.ramp(telemetry.BlowdownPipe, 55, 75, 60)
			v.run(120)
		}, verdict.NotYet},
		{"water comes back", func(v *evening) {
			v.blownDown()
			v.say("cocks-run-dry")
			v.set(telemetry.BoilerLevel, 0.3)
			v.run(30)
		}, verdict.NotYet},
		{"an empty glass and nothing seen", func(v *evening) {
			v.dropped()
			v.drop(telemetry.BoilerLevel)
			v.run(90)
			v.set(telemetry.BoilerLevel, 0)
			v.run(200)
			v.say("cocks-run-dry")
			v.run(5)
		}, verdict.CannotTell},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := newEvening(t, quillet())
			tt.do(v)
			v.wantEvidence("plugs-out", "nothing-left-to-boil", tt.want)
		})
	}
}

func TestColdShell(t *testing.T) {
	cold := func(e *engine.Engine) { e.EmptiedBy = engine.Cold }
	// Boiling at 1013.25 hPa less 3 hPa is 99.9 °C; less the margin of 3 K it is
	// 96.9. A couple of ±2.5 K that reads 92.7 may be at 92.7 + 2.5 + 2 % of
	// (92.7 - 14) = 96.8, one that reads 93 may be at 97.1.
	for _, tt := range []struct {
		name    string
		top     float64
		bottom  float64
		station float64
		want    verdict.Verdict
	}{
		{"just under", 92.7, 60, air, verdict.Proven},
		{"just over", 93.0, 60, air, verdict.NotYet},
		{"the hotter one counts", 60, 93.0, air, verdict.NotYet},
		{"lower air pressure", 92.7, 60, air - 4000, verdict.NotYet},
		{"a barometer set for the sea", 60, 60, air + 5001, verdict.CannotTell},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := newEvening(t, quillet(cold))
			v.set(telemetry.AmbientPressure, tt.station)
			v.set(telemetry.ShellTop, tt.top)
			v.set(telemetry.ShellBottom, tt.bottom)
			v.set(telemetry.BoilerPressure, 0)
			v.run(300)
			v.wantEvidence("plugs-out", "nothing-left-to-boil", tt.want)
		})
	}
	t.Run("without a barometer 40 hPa are taken off", func(t *testing.T) {
		v := newEvening(t, quillet(cold))
		v.drop(telemetry.AmbientPressure)
		v.set(telemetry.ShellTop, 92.7)
		v.set(telemetry.ShellBottom, 60)
		v.run(300)
		v.wantEvidence("plugs-out", "nothing-left-to-boil", verdict.NotYet)
		v.set(telemetry.ShellTop, 91)
		v.run(300)
		v.wantEvidence("plugs-out", "nothing-left-to-boil", verdict.Proven)
	})
	t.Run("a shell channel lost", func(t *testing.T) {
		v := newEvening(t, quillet(cold))
		v.set(telemetry.ShellTop, 60)
		v.run(300)
		v.wantEvidence("plugs-out", "nothing-left-to-boil", verdict.CannotTell)
	})
}

// TestTradeFacts holds what every disposal goes by. Each is common practice, no source.
func TestTradeFacts(t *testing.T) {
	has := func(step string, e engine.Engine, layUp telemetry.LayUp, evidence string) bool {
		v := newEvening(t, e)
		v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: layUp})
		for _, b := range v.step(step).Because {
			if b.Evidence == evidence {
				return true
			}
		}
		return false
	}
	for _, tt := range []struct {
		fact  string
		holds bool
	}{
		{"the glass is well filled before the fire is dropped", has("drop-fire", quillet(), telemetry.Dry, "water-in-glass")},
		{"and that takes 0.60 of the glass at least", limit.Defaults(10, 400)[limit.WaterToDrop] >= 0.60},
		{"the ash-pan slide is shut for a move under steam", has("move-under-steam", quillet(), telemetry.Dry, "ash-pan-shut")},
		{"and for the move into the shed", has("house", quillet(), telemetry.Dry, "ash-pan-shut")},
		{"and for a move of an engine left with its water", has("house", quillet(), telemetry.Short, "ash-pan-shut")},
		{"the drain cocks lie lowest: that nothing more comes out of them belongs to empty", has("plugs-out", quillet(), telemetry.Dry, "cocks-run-dry")},
		{"one drain empties both tanks: one word about it serves both", has("drain-tanks", quillet(), telemetry.Dry, "drain-clear")},
		{"an engine used daily keeps its water: it is housed with water in the glass", has("house", quillet(), telemetry.Short, "water-in-glass")},
		{"and not asked to be empty", !has("house", quillet(), telemetry.Short, "nothing-left-to-boil")},
		{"one that rests for weeks is emptied", has("house", quillet(), telemetry.Dry, "nothing-left-to-boil")},
		{"and not asked for water", !has("house", quillet(), telemetry.Dry, "water-in-glass")},
		{"the smokebox door is left ajar, not shut", has("house", quillet(), telemetry.Dry, "smokebox-ajar")},
	} {
		if !tt.holds {
			t.Errorf("%s: does not hold", tt.fact)
		}
	}
	t.Run("plugs come out while the metal is hot", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.blownDown()
		v.say("vent-open", "cocks-run-dry")
		v.run(5)
		v.want("plugs-out", verdict.Proven)
		if shell := v.reads[telemetry.ShellTop](v.now.Sub(start).Seconds()); shell < 110 {
			t.Errorf("shell at %.0f °C, want it well over boiling", shell)
		}
	})
	t.Run("one drain empties both tanks: one tank left full is not empty", func(t *testing.T) {
		v := newEvening(t, quillet())
		v.blownDown()
		v.set(telemetry.TankRight, 0.4)
		v.run(900)
		v.wantEvidence("house", "tanks-empty", verdict.NotYet)
	})
}

func TestWordsLapse(t *testing.T) {
	for _, tt := range []struct {
		word  string
		after time.Duration
	}{
		{"glasses-proved", 30 * time.Minute}, {"ash-pan-shut", time.Hour}, {"brake-tried", time.Hour},
		{"at-blow-down-place", 10 * time.Minute}, {"people-clear", 10 * time.Minute},
		{"vent-open", 12 * time.Hour}, {"cocks-run-dry", 12 * time.Hour}, {"gauge-tried", 12 * time.Hour},
	} {
		v := newEvening(t, quillet())
		v.say(tt.word)
		v.wait(tt.after.Seconds() - 1)
		if !v.judge.Stands(tt.word) {
			t.Errorf("%s lapsed a second before %s", tt.word, tt.after)
		}
		v.wait(1)
		if v.judge.Stands(tt.word) {
			t.Errorf("%s stands after %s", tt.word, tt.after)
		}
	}
	for _, word := range []string{"fire-dropped", "ash-cleared", "smokebox-ajar", "blower-shut", "drain-clear"} {
		v := newEvening(t, quillet())
		v.dropped()
		v.say(word)
		v.run(60)
		v.ramp(telemetry.Firebox, 200, 300, 600)
		v.run(700)
		if v.judge.Stands(word) {
			t.Errorf("%s stands after the fire was seen relit", word)
		}
	}
	for _, word := range []string{"vent-open", "cocks-run-dry", "gauge-tried", "plugs-removed"} {
		for _, bar := range []float64{0.21, -0.21} {
			v := newEvening(t, quillet())
			v.set(telemetry.BoilerPressure, 0)
			v.say(word)
			v.run(20)
			if !v.judge.Stands(word) {
				t.Errorf("%s does not stand without pressure", word)
			}
			v.set(telemetry.BoilerPressure, bar*1e5)
			v.run(5)
			if v.judge.Stands(word) {
				t.Errorf("%s stands at %g bar", word, bar)
			}
		}
	}
	v := newEvening(t, quillet())
	v.event(telemetry.Event{Kind: telemetry.DisposalBegun})
	v.say("ash-cleared", "plugs-removed")
	v.event(telemetry.Event{Kind: telemetry.DisposalEnded})
	v.wait(1801)
	if v.judge.Stands("ash-cleared") || !v.judge.Stands("plugs-removed") {
		t.Errorf("half an hour after housing: ash-cleared stands %v, want false; plugs-removed stands %v, want true", v.judge.Stands("ash-cleared"), v.judge.Stands("plugs-removed"))
	}
}

// TestTimeAloneChangesVerdictsAtItsOwnMoment: a long silence is cut where a
// sample grows too old, not where the next line happens to come.
func TestTimeAloneChangesVerdictsAtItsOwnMoment(t *testing.T) {
	v := newEvening(t, quillet())
	v.inSteam()
	v.say("glasses-proved")
	v.want("drop-fire", verdict.Proven)
	last := v.now
	v.all = nil
	v.wait(3600)
	for _, c := range v.all {
		if c.Step == "drop-fire" {
			if want := last.Add(15*time.Second + time.Microsecond); !c.At.Equal(want) || c.Verdict != verdict.CannotTell {
				t.Errorf("drop-fire became %s at %s, want cannot-tell at %s", c.Verdict, c.At, want)
			}
			return
		}
	}
	t.Error("drop-fire did not change in an hour of silence")
}

func TestNowNeverRunsBack(t *testing.T) {
	v := newEvening(t, quillet())
	v.inSteam()
	before := v.judge.Now()
	v.take(v.judge.Advance(start))
	if got := v.judge.Now(); !got.Equal(before) {
		t.Errorf("now is %s after hearing of %s, want %s", got, start, before)
	}
}

func TestSamplesTwiceAndLate(t *testing.T) {
	v := newEvening(t, quillet())
	v.blownDown()
	v.say("vent-open", "cocks-run-dry")
	v.run(10)
	v.want("plugs-out", verdict.Proven)
	at := v.now
	again := []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at, Value: 3e5, Quality: telemetry.Good}}
	v.take(v.judge.Samples(v.now, again))
	v.want("plugs-out", verdict.Proven) // the first value of that moment stands
	late := []telemetry.Sample{{Channel: telemetry.BoilerPressure, At: at.Add(-7 * time.Second), Value: 3e5, Quality: telemetry.Good}}
	v.take(v.judge.Samples(v.now, late))
	v.want("plugs-out", verdict.NotYet) // one outside the limit within the hold restarts it
}

func TestUnknownConfirmation(t *testing.T) {
	j, err := rules.New(quillet())
	if err != nil {
		t.Fatal(err)
	}
	_, err = j.Hear(telemetry.Event{At: start, Kind: telemetry.Confirmed, Subject: "hope"})
	if err == nil || !strings.Contains(err.Error(), `"hope"`) {
		t.Errorf("hear an unknown confirmation: %v, want an error that names it", err)
	}
}

func TestByWordOnly(t *testing.T) {
	v := newEvening(t, quillet(func(e *engine.Engine) {
		delete(e.Channels, telemetry.TankLeft)
		delete(e.Channels, telemetry.TankRight)
		e.ByWord = map[string]string{"tanks-empty": "tanks-dipped"}
	}))
	v.drop(telemetry.TankLeft)
	v.drop(telemetry.TankRight)
	v.run(20)
	v.wantEvidence("house", "tanks-empty", verdict.NotYet)
	v.say("tanks-dipped")
	if text := v.wantEvidence("house", "tanks-empty", verdict.Proven); !strings.HasSuffix(text, "by word only.") {
		t.Errorf("says %q, want it to end in \"by word only.\"", text)
	}
}
