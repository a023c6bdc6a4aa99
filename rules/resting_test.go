package rules_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/disposal"
	"ashlamp/rules/telemetry"
)

// rest lets hours pass at an engine that is housed, a sample of each every minute.
func (v *evening) rest(hours float64) {
	v.t.Helper()
	for range int(hours * 60) {
		v.now = v.now.Add(55 * time.Second)
		v.run(5)
	}
}

func (v *evening) housed() {
	v.t.Helper()
	v.blownDown()
	v.say("cocks-run-dry", "ash-cleared", "smokebox-ajar", "plugs-removed")
	v.event(telemetry.Event{Kind: telemetry.DisposalEnded, By: "R. Penhalow"})
	v.set(telemetry.Firebox, 12)
	v.set(telemetry.Smokebox, 12)
	v.set(telemetry.BlowdownPipe, 12)
	v.set(telemetry.BoilerPressure, 0)
	v.set(telemetry.AmbientTemp, 12)
	v.set(telemetry.AmbientHumidity, 60)
	v.set(telemetry.ShellTop, 12)
	v.set(telemetry.ShellBottom, 12)
	v.rest(1)
}

func reminders(r rules.Rest) string {
	var ids []string
	for _, m := range r.Reminders {
		ids = append(ids, m.ID)
	}
	return strings.Join(ids, " ")
}

func (v *evening) alarm(watch string) rules.Alarm {
	v.t.Helper()
	for _, a := range v.judge.State().Alarms {
		if a.Watch == watch {
			return a
		}
	}
	v.t.Fatalf("no watch %s", watch)
	return rules.Alarm{}
}

func TestARestIsWatchedFromHousingToTheNextFire(t *testing.T) {
	v := newEvening(t, quillet())
	v.housed()
	r := v.judge.Rest()
	if v.judge.State().Phase != disposal.LaidUp || r.Since.IsZero() || math.Abs(r.FrostMarginK-8) > 1e-6 {
		t.Fatalf("phase %s, resting since %s, %g K over frost; want laid-up, a date, 8 K", v.judge.State().Phase, r.Since, r.FrostMarginK)
	}
	if got := reminders(r); got != "plugs-back" {
		t.Errorf("reminders %q, want only that the plugs are asked back: ash and door were seen to", got)
	}
	if r.Advice.LayUp != "" || !strings.Contains(r.Advice.Text, "next wanted") {
		t.Errorf("advised %+v though nobody said when it is wanted", r.Advice)
	}
	v.event(telemetry.Event{Kind: telemetry.NextWanted, Until: v.now.AddDate(0, 0, 21), By: "T. Oxley"})
	if a := v.judge.Rest().Advice; a.LayUp != telemetry.Dry {
		t.Errorf("three weeks: advised %q (%s), want dry", a.LayUp, a.Text)
	}
	v.event(telemetry.Event{Kind: telemetry.NextWanted, Until: v.now.AddDate(0, 0, 1), By: "T. Oxley"})
	if a := v.judge.Rest().Advice; a.LayUp != telemetry.Short {
		t.Errorf("tomorrow: advised %q (%s), want short", a.LayUp, a.Text)
	}

	// Warm, damp air comes over cold steel.
	v.set(telemetry.AmbientTemp, 20)
	v.set(telemetry.AmbientHumidity, 90)
	before := v.judge.Rest().Damp
	v.rest(4)
	r = v.judge.Rest()
	if wet := (r.Damp.WetS - before.WetS) / 3600; !(wet > 3.5 && wet < 4.5) || !(r.Damp.RiskS > 3*3600) || !(r.Air.MarginK < 0) {
		t.Errorf("after four hours of it %.1f h were damp, %.1f h condensing, margin %.1f K; want four, and metal under the dew point", wet, r.Damp.RiskS/3600, r.Air.MarginK)
	}
	if a := v.alarm("condensation"); a.State != alarm.Unacknowledged {
		t.Errorf("condensation is %s: %s", a.State, a.Text)
	}

	// What was found goes with the engine to its next steaming, and past it.
	v.event(telemetry.Event{Kind: telemetry.RepairBooked, Subject: "left clack passes", By: "T. Oxley"})
	v.event(telemetry.Event{Kind: telemetry.FireLit, By: "T. Oxley"})
	r = v.judge.Rest()
	if got := reminders(r); !r.Since.IsZero() || !strings.HasPrefix(got, "plugs-back repair-1") {
		t.Errorf("with a fire lit it rests since %s and is reminded of %q; want no rest, plugs and repair", r.Since, got)
	}
	if a := v.alarm("lit-open"); a.State != alarm.Unacknowledged || a.Priority != alarm.High {
		t.Errorf("lit with the plugs out: lit-open is %s, %s", a.State, a.Priority)
	}
	v.event(telemetry.Event{Kind: telemetry.Withdrawn, Subject: "plugs-removed", By: "T. Oxley"})
	v.event(telemetry.Event{Kind: telemetry.RepairDone, Subject: "left clack passes", By: "T. Oxley"})
	if got := reminders(v.judge.Rest()); got != "" {
		t.Errorf("plugs back, repair done: still reminded of %q", got)
	}
}

func TestDryingIsFollowedOnceThePlugsAreOut(t *testing.T) {
	v := newEvening(t, quillet())
	v.housed()
	begin := v.now
	v.reads[telemetry.BoilerHumidity] = func(s float64) float64 {
		h := (s - begin.Sub(start).Seconds()) / 3600
		return 90 - 2*h
	}
	v.rest(12)
	r := v.judge.Rest()
	if math.Abs(r.Drying.PerHour+2) > 0.1 || math.Abs(r.Drying.AtSteel-66) > 1 {
		t.Errorf("dries by %.2f %%RH an hour at %.0f %%RH, want -2 at 66", r.Drying.PerHour, r.Drying.AtSteel)
	}
	if want := begin.Add(25 * time.Hour); r.Drying.End == 0 || r.Drying.End.Time().Sub(want).Abs() > time.Hour {
		t.Errorf("dry at %s, want about %s", r.Drying.End.Time(), want)
	}
}

func TestWetStorageTellsALeak(t *testing.T) {
	v := newEvening(t, quillet())
	v.event(telemetry.Event{Kind: telemetry.DisposalBegun, LayUp: telemetry.Wet})
	v.set(telemetry.BoilerLevel, 0.95)
	v.set(telemetry.BoilerPressure, 0)
	v.set(telemetry.ShellTop, 14)
	v.run(60)
	v.event(telemetry.Event{Kind: telemetry.DisposalEnded, By: "R. Penhalow"})
	v.rest(1)
	if got := reminders(v.judge.Rest()); strings.Contains(got, "level") {
		t.Errorf("a full glass: reminded of %q", got)
	}
	v.set(telemetry.BoilerLevel, 0.85)
	v.rest(1)
	if got := reminders(v.judge.Rest()); !strings.Contains(got, "level") {
		t.Errorf("a tenth of the glass lost: reminded of %q, want the level", got)
	}
}

func TestAnUnwatchedEngineIsRemindedOfAshAndDoor(t *testing.T) {
	v := newEvening(t, quillet())
	v.blownDown()
	v.event(telemetry.Event{Kind: telemetry.DisposalEnded, By: "R. Penhalow"})
	v.rest(1)
	if got := reminders(v.judge.Rest()); got != "ash-pan smokebox-door" {
		t.Errorf("reminders %q, want ash pan and smokebox door", got)
	}
}

func TestANodePutAwayIsOutOfServiceNotLost(t *testing.T) {
	v := newEvening(t, quillet())
	v.housed()
	v.event(telemetry.Event{Kind: telemetry.NodePutAway, Subject: "footplate", By: "T. Oxley"})
	if a := v.alarm("node-lost"); a.State != alarm.OutOfService || a.By != "T. Oxley" {
		t.Fatalf("node-lost is %s by %q, want out of service by the one who put it away", a.State, a.By)
	}
	v.wait(30 * 24 * 3600)
	if a := v.alarm("node-lost"); a.State != alarm.OutOfService {
		t.Errorf("a month later it is %s: %s", a.State, a.Text)
	}
	v.event(telemetry.Event{Kind: telemetry.NodeBack, Subject: "footplate", By: "T. Oxley"})
	v.run(60)
	if a := v.alarm("node-lost"); a.State == alarm.OutOfService {
		t.Error("back in use, and still out of service")
	}
	if slices.Contains([]alarm.State{alarm.Shelved}, v.alarm("node-lost").State) {
		t.Error("shelved by nobody")
	}
}

func TestWhatWasSavedIsTakenUp(t *testing.T) {
	v := newEvening(t, quillet())
	v.housed()
	v.set(telemetry.AmbientTemp, 20)
	v.set(telemetry.AmbientHumidity, 90)
	v.rest(4)
	v.event(telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "condensation", By: "T. Oxley"})
	v.event(telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "sensor-fault", By: "T. Oxley", Why: "being mended", Until: v.now.Add(time.Hour)})
	saved := v.judge.Saved()

	again := newEvening(t, quillet())
	again.now = v.now
	again.take(again.judge.Advance(v.now))
	changes, err := again.judge.Restore(saved)
	if err != nil {
		t.Fatal(err)
	}
	again.take(changes)
	if a := again.alarm("condensation"); a.State != alarm.Acknowledged || a.By != "T. Oxley" {
		t.Errorf("condensation is %s by %q, want acknowledged by T. Oxley", a.State, a.By)
	}
	if a := again.alarm("sensor-fault"); a.State != alarm.Shelved {
		t.Errorf("sensor-fault is %s, want shelved", a.State)
	}
	was, is := v.judge.Rest(), again.judge.Rest()
	if is.Damp != was.Damp || !is.Since.Equal(was.Since) {
		t.Errorf("rests since %s with %+v, want %s and %+v", is.Since, is.Damp, was.Since, was.Damp)
	}
	again.wait(3601)
	if a := again.alarm("sensor-fault"); a.State == alarm.Shelved {
		t.Error("the shelf did not end at its time")
	}
}

func TestWhatAPersonCannotDoIsRefusedBeforeItIsKept(t *testing.T) {
	v := newEvening(t, quillet())
	v.run(60)
	for _, c := range []struct {
		name string
		e    telemetry.Event
	}{
		{"nothing to acknowledge", telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum", By: "T. Oxley"}},
		{"nobody", telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "vacuum"}},
		{"no such watch", telemetry.Event{Kind: telemetry.AlarmAcknowledged, Subject: "ghosts", By: "T. Oxley"}},
		{"a shelf without an end", telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "sensor-fault", By: "T. Oxley", Why: "tea"}},
		{"too urgent to be shelved", telemetry.Event{Kind: telemetry.AlarmShelved, Subject: "over-pressure", By: "T. Oxley", Why: "tea", Until: v.now.Add(time.Minute)}},
		{"no word of what to mend", telemetry.Event{Kind: telemetry.RepairBooked, By: "T. Oxley"}},
	} {
		c.e.At = v.now
		if err := v.judge.Check(c.e); err == nil {
			t.Errorf("%s: taken", c.name)
		}
	}
}
