package hardware_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"ashlamp/hardware"
	"ashlamp/rules/telemetry"
)

func TestZeroReadingIsBad(t *testing.T) {
	if q := (hardware.Reading{}).Quality; q != telemetry.Bad {
		t.Fatalf("zero Reading has quality %v, want bad", q)
	}
}

func TestReadingRefusesWhatIsNoNumber(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name     string
		value, u float64
		ok       bool
	}{
		{"a number", 1, 0.1, true},
		{"no uncertainty", 1, 0, true},
		{"NaN", nan, 0.1, false},
		{"infinity", inf, 0.1, false},
		{"minus infinity", -inf, 0.1, false},
		{"uncertainty NaN", 1, nan, false},
		{"uncertainty infinite", 1, inf, false},
		{"uncertainty below zero", 1, -0.1, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := hardware.Good(c.value, c.u)
			if (err == nil) != c.ok {
				t.Fatalf("Good(%v, %v): error %v, want ok %v", c.value, c.u, err, c.ok)
			}
			if !c.ok && (r != hardware.Reading{} || hardware.ReasonOf(err) != hardware.NotANumber) {
				t.Fatalf("Good(%v, %v) = %+v, %v; want the zero Reading and NotANumber", c.value, c.u, r, err)
			}
		})
	}
}

func TestEstimateIsTheExpandedUncertainty(t *testing.T) {
	r, err := hardware.Good(3, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Estimate(); got.X != 3 || got.U != 1 {
		t.Errorf("estimate of %+v = %+v, want 3 ± 1", r, got)
	}
	if got := (hardware.Reading{}).Estimate(); got.Stated() {
		t.Errorf("estimate of the zero Reading = %+v, want not stated", got)
	}
}

func TestEveryReasonHasItsOwnWordsAndMend(t *testing.T) {
	seen := map[string]hardware.Reason{}
	for _, r := range hardware.Reasons() {
		if r.String() == "" || r.Mend() == "" {
			t.Errorf("reason %d has words %q and mend %q, want both", r, r.String(), r.Mend())
		}
		if was, ok := seen[r.String()]; ok {
			t.Errorf("reasons %d and %d share the words %q", was, r, r.String())
		}
		seen[r.String()] = r
	}
	if got, want := hardware.Reason(255).String(), hardware.Unnamed.String(); got != want {
		t.Errorf("a reason outside the list reads %q, want %q", got, want)
	}
}

func TestReasonOfFindsTheFaultWithin(t *testing.T) {
	below := errors.New("no acknowledge")
	err := fmt.Errorf("read 0x48: %w", &hardware.Fault{Reason: hardware.BusError, Err: below})
	if got := hardware.ReasonOf(err); got != hardware.BusError {
		t.Errorf("ReasonOf = %v, want %v", got, hardware.BusError)
	}
	if !errors.Is(err, below) {
		t.Errorf("%v does not hold %v", err, below)
	}
	if got := hardware.ReasonOf(below); got != hardware.Unnamed {
		t.Errorf("ReasonOf without a fault = %v, want %v", got, hardware.Unnamed)
	}
}

func ExampleFault() {
	err := &hardware.Fault{Reason: hardware.LoopLow, Detail: "2.10 mA"}
	fmt.Println(err)
	// Output: loop current at or below 3.6 mA (2.10 mA); check the wiring, fuse and supply of the transmitter
}
