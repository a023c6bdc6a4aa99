package beacon_test

import (
	"fmt"
	"testing"
	"time"

	"ashlamp/simulators/beacon"
)

var at = time.Date(2031, 5, 4, 20, 0, 0, 0, time.UTC)

func step(t, until time.Time, verdict string) []byte {
	return fmt.Appendf(nil, `{"t":%q,"until":%q,"engine":"quillet","step":"house","verdict":%q,"because":[]}`, t.Format(time.RFC3339Nano), until.Format(time.RFC3339Nano), verdict)
}

func TestAMessageIsBelievedUntilItsTime(t *testing.T) {
	for _, tt := range []struct {
		name    string
		clock   bool
		payload []byte
		kept    bool
		at      time.Duration // when it comes
		dark    time.Duration // from when on it says nothing; 0 where it never says anything
	}{
		{"fresh", true, step(at, at.Add(30*time.Second), "proven"), false, 0, 30 * time.Second},
		{"fresh, no clock", false, step(at.Add(-time.Hour), at.Add(-time.Hour+30*time.Second), "proven"), false, 0, 30 * time.Second},
		{"late by a slow network", true, step(at, at.Add(30*time.Second), "proven"), false, 20 * time.Second, 30 * time.Second},
		{"late beyond its time", true, step(at, at.Add(30*time.Second), "proven"), false, 40 * time.Second, 0},
		{"kept by the broker", true, step(at, at.Add(30*time.Second), "proven"), true, 0, 0},
		{"no until", true, []byte(`{"t":"2031-05-04T20:00:00Z","verdict":"proven"}`), false, 0, 0},
		{"no time", true, []byte(`{"until":"2031-05-04T20:00:30Z","verdict":"proven"}`), false, 0, 0},
		{"until before its time", true, step(at, at.Add(-time.Second), "proven"), false, 0, 0},
		{"until tomorrow", true, step(at, at.Add(24*time.Hour), "proven"), false, 0, 0},
		{"no JSON", true, []byte("proven"), false, 0, 0},
		{"nothing", true, nil, false, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := &beacon.Reader{Clock: tt.clock}
			if got := r.Says(at); got != beacon.CannotTell {
				t.Fatalf("before anything it says %s", got)
			}
			_ = r.Take(tt.payload, tt.kept, at.Add(tt.at))
			for d := tt.at; d < 2*time.Minute; d += time.Second {
				want := beacon.CannotTell
				if d < tt.dark {
					want = "proven"
				}
				if got := r.Says(at.Add(d)); got != want {
					t.Fatalf("after %s it says %s, want %s", d, got, want)
				}
			}
			// What cannot be believed puts out what stood.
			_ = r.Take(step(at.Add(time.Hour), at.Add(time.Hour+30*time.Second), "proven"), false, at.Add(time.Hour))
			if got := r.Says(at.Add(time.Hour)); got != "proven" {
				t.Fatalf("a good message gives %s", got)
			}
			if tt.dark == 0 {
				if _ = r.Take(tt.payload, tt.kept, at.Add(time.Hour)); r.Says(at.Add(time.Hour)) != beacon.CannotTell {
					t.Error("what stood before still stands")
				}
			}
		})
	}
}

func TestAnAlarmIsReadTheSameWay(t *testing.T) {
	r := &beacon.Reader{Clock: true}
	if err := r.Take([]byte(`{"t":"2031-05-04T20:00:00Z","until":"2031-05-04T20:00:30Z","watch":"vacuum","state":"unacknowledged"}`), false, at); err != nil {
		t.Fatal(err)
	}
	if got := r.Says(at.Add(29 * time.Second)); got != "unacknowledged" {
		t.Errorf("it says %s", got)
	}
	if got := r.Says(at.Add(30 * time.Second)); got != beacon.CannotTell {
		t.Errorf("past its time it says %s; a siren that cannot be told is not one that is quiet", got)
	}
}
