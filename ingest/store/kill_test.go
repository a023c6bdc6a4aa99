package store_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ashlamp/ingest"
	"ashlamp/ingest/store"
	"ashlamp/rules/telemetry"
)

const victim = "STORE_VICTIM"

func TestMain(m *testing.M) {
	if path := os.Getenv(victim); path != "" {
		if err := appendForEver(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

var dawn = time.Date(2031, 5, 4, 4, 0, 0, 0, time.UTC)

// appendForEver goes on where the store ends. A line is printed only after its
// append returned: the number of the last sample. Three minutes' worth of samples
// pass in a few dozen appends, so that sealing and late merging are hit too.
func appendForEver(path string) error {
	ctx := context.Background()
	s, err := store.Open(ctx, path)
	if err != nil {
		return err
	}
	if err := s.Follow(ctx, "far", true); err != nil {
		return err
	}
	first := 0
	for _, err := range s.Samples(ctx, "quillet", telemetry.Firebox, time.Time{}, time.Time{}) {
		if err != nil {
			return err
		}
		first++
	}
	fmt.Println("ready", first)
	for n := first; ; n += 10 {
		b := ingest.Batch{Engine: "quillet", Node: "cab", Received: sampleTime(n + 10)}
		for i := range 10 {
			for _, ch := range []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox} {
				b.Samples = append(b.Samples, telemetry.Sample{Channel: ch, At: sampleTime(n + i), Value: float64(n + i), Quality: telemetry.Good})
			}
		}
		// The one before again, and one that comes an hour late.
		again := b.Samples[0]
		b.Samples = append(b.Samples, again, telemetry.Sample{Channel: "late", At: sampleTime(n).Add(-time.Hour), Value: float64(n), Quality: telemetry.Good})
		err := s.Update(ctx, func(tx *store.Tx) error {
			if err := tx.Note("quillet", []store.Entry{{At: b.Received, Kind: "verdict", Body: []byte(strconv.Itoa(n))}}); err != nil {
				return err
			}
			_, err := tx.Append([]ingest.Batch{b})
			return err
		})
		if err != nil {
			return err
		}
		fmt.Println("kept", n+10)
	}
}

func sampleTime(n int) time.Time { return dawn.Add(time.Duration(n) * 300 * time.Millisecond) }

func TestKilledAtAnyMomentNothingAcknowledgedIsMissingOrDoubled(t *testing.T) {
	const kills = 10
	path := filepath.Join(t.TempDir(), "s.db")
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	kept := 0
	for kill := range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), victim+"="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Dies after so many acknowledgements and a moment more, which lands anywhere
		// within an append, a sealing or a checkpoint.
		lines, moment := 1+random.IntN(200), time.Duration(random.Int64N(int64(3*time.Millisecond)))
		in := bufio.NewScanner(out)
		for in.Scan() {
			word, number, _ := strings.Cut(in.Text(), " ")
			n, err := strconv.Atoi(number)
			if err != nil {
				t.Fatalf("the victim said %q", in.Text())
			}
			if word == "ready" && n < kept {
				t.Fatalf("kill %d: %d samples were acknowledged and %d are there", kill, kept, n)
			}
			if word == "kept" {
				kept = n
			}
			if lines--; lines == 0 {
				time.AfterFunc(moment, func() { _ = cmd.Process.Kill() })
			}
		}
		if err := cmd.Wait(); err == nil || cmd.ProcessState.Exited() {
			t.Fatalf("kill %d: the victim ended by itself: %v", kill, err)
		}
	}

	s := open(t, path)
	ctx := t.Context()
	held := 0
	for _, ch := range []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox} {
		n := 0
		for x, err := range s.Samples(ctx, "quillet", ch, time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if !x.At.Equal(sampleTime(n)) || x.Value != float64(n) {
				t.Fatalf("%s: sample %d is %+v, want %d at %s", ch, n, x, n, sampleTime(n))
			}
			n++
		}
		if n < kept {
			t.Fatalf("%s: %d samples, %d were acknowledged", ch, n, kept)
		}
		held = n
		bs, err := s.Buckets(ctx, "quillet", ch, dawn, sampleTime(n), 3)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0
		for _, b := range bs {
			sum += b.Count
		}
		if sum != n {
			t.Fatalf("%s: the buckets count %d samples of %d", ch, sum, n)
		}
	}
	entries, err := s.VerifyBook(ctx, "quillet")
	if err != nil || int(entries) != held/10 {
		t.Fatalf("the book has %d entries, %v; with the samples in the same transactions it must have %d", entries, err, held/10)
	}
	taken := map[string]int{}
	for {
		rs, next, err := s.Pending(ctx, "far", 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(rs) == 0 {
			break
		}
		for _, r := range rs {
			k := fmt.Sprint(r.Channel, r.At)
			if taken[k]++; taken[k] > 1 {
				t.Fatalf("the follower was handed %s twice", k)
			}
		}
		if err := s.Advance(ctx, "far", next); err != nil {
			t.Fatal(err)
		}
	}
	if want := held*2 + held/10; len(taken) != want {
		t.Fatalf("the follower was handed %d samples, %d are held", len(taken), want)
	}
	t.Logf("%d kills, %d samples acknowledged, %d held", kills, kept*2+kept/10, held*2+held/10)
}
