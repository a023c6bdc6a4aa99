package main

import (
	"slices"
	"testing"
	"time"
)

func TestASampleIsSeenWithItOrANewerOne(t *testing.T) {
	t0 := time.Unix(1_900_000_000, 0)
	at := func(ms int) time.Time { return t0.Add(time.Duration(ms) * time.Millisecond) }
	sent := []sample{{"3.00", at(0)}, {"2.99", at(100)}, {"2.98", at(200)}, {"2.97", at(300)}}
	for _, c := range []struct {
		name string
		seen []sample
		want []int
	}{
		{"each drawn", []sample{{"3.00", at(40)}, {"2.99", at(150)}}, []int{40, 50}},
		{"one passed over", []sample{{"2.99", at(150)}, {"2.98", at(260)}}, []int{150, 50, 60}},
		{"one drawn again", []sample{{"2.99", at(150)}, {"2.99", at(900)}}, []int{150, 50}},
		{"one that was never sent", []sample{{"7.00", at(10)}, {"3.00", at(40)}}, []int{40}},
		{"nothing seen", nil, nil},
	} {
		var got []int
		for _, d := range delays(sent, c.seen) {
			got = append(got, int(d.Milliseconds()))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: got %v ms, want %v", c.name, got, c.want)
		}
	}
}

func TestEachFigureIsAnother(t *testing.T) {
	seen := map[string]int{}
	for n := range falls {
		f := figure(n)
		if m, ok := seen[f]; ok {
			t.Fatalf("the samples %d and %d both read %s; which one was drawn cannot be told", m, n, f)
		}
		seen[f] = n
	}
}
