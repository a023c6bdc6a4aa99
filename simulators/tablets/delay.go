package main

import (
	"slices"
	"time"
)

// sample is a pressure as it was published: each has another figure, so that what a
// page draws tells which sample it is.
type sample struct {
	figure string
	at     time.Time
}

// delays are how long each sample took until it, or one that was published after it,
// was seen. A figure that was never published counts for nothing; samples after the
// last one seen are left out, since nobody waited for them.
func delays(sent, seen []sample) []time.Duration {
	place := map[string]int{}
	for i, s := range sent {
		place[s.figure] = i
	}
	var out []time.Duration
	next := 0
	for _, s := range seen {
		last, ok := place[s.figure]
		if !ok {
			continue
		}
		for ; next <= last; next++ {
			out = append(out, s.at.Sub(sent[next].at))
		}
	}
	return out
}

// after leaves out what was published before from.
func after(sent []sample, from time.Time) []sample {
	i := slices.IndexFunc(sent, func(s sample) bool { return !s.at.Before(from) })
	if i < 0 {
		return nil
	}
	return sent[i:]
}

// quantile sorts its argument; 0 where there is nothing.
func quantile(d []time.Duration, q float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	v := d[min(len(d)-1, int(q*float64(len(d))))]
	if v < 10*time.Millisecond {
		return v.Round(10 * time.Microsecond)
	}
	return v.Round(time.Millisecond)
}
