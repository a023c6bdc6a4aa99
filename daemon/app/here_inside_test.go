package app

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/daemon/judge"
	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	example "ashlamp/testdata/config"
)

// upWords is a door that keeps when the daemon said that it is up.
type upWords struct{ at []time.Time }

func (s *upWords) Run(context.Context) error { return nil }

func (s *upWords) Publish(topic string, payload []byte, retained bool) error {
	if topic == "sheds/fernhollow/daemon/here" && retained && strings.Contains(string(payload), `"up":true`) {
		s.at = append(s.at, time.Now())
	}
	return nil
}

type unwritten struct{}

func (unwritten) Write(context.Context, string, judge.Page) error { return nil }

func (unwritten) PutSummary(context.Context, string, store.Summary) error { return nil }

// TestADaemonWhoseJudgementHangsIsNotHere: its word is renewed as long as the loops turn,
// and no longer, although all else of it works.
func TestADaemonWhoseJudgementHangsIsNotHere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, err := config.Parse("fernhollow.toml", example.Fernhollow)
		if err != nil {
			t.Fatal(err)
		}
		j, err := rules.New(c.Engines[0])
		if err != nil {
			t.Fatal(err)
		}
		hang := make(chan struct{})
		free := make(chan struct{})
		l := judge.New(j, judge.Options{
			Engine: c.Engines[0], Shed: c.Shed.ID, Clock: clock.Board{}, Book: unwritten{}, Log: slog.New(slog.DiscardHandler),
			Publish: func(message.Change) error {
				select {
				case <-hang:
					<-free
				default:
				}
				return nil
			},
			Retain: func(string, []byte) error { return nil },
		})
		door := &upWords{}
		a := &App{o: Options{Config: c, Clock: clock.Board{}, Log: slog.New(slog.DiscardHandler)}, mq: door, loops: map[string]*judge.Loop{"quillet": l}}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 2)
		go func() { ended <- l.Run(ctx) }()
		go func() { ended <- a.here(ctx) }()
		time.Sleep(time.Minute + time.Second)
		synctest.Wait()
		if n := len(door.at); n != 7 {
			t.Errorf("in a minute the daemon said %d times that it is up, want 7", n)
		}
		close(hang)
		l.Samples(ctx, time.Now(), nil) // now it has something to tell, and hangs
		time.Sleep(5 * time.Second)
		synctest.Wait()
		n := len(door.at)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if len(door.at) != n {
			t.Errorf("its judgement hangs, and it said %d times more that it is up", len(door.at)-n)
		}
		close(free)
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if len(door.at) <= n {
			t.Error("its judgement turns again, and it does not say so")
		}
		cancel()
		for range 2 {
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
	})
}
