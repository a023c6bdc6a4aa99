package app

import (
	"context"
	"time"

	"ashlamp/daemon/clock"
	"ashlamp/ingest/forward"
)

// makeForward sends the series on where an outside store is configured.
func (a *App) makeForward() error {
	c := a.o.Config.Forward
	if c == nil {
		return nil
	}
	token, err := secret(c.TokenFile)
	if err != nil {
		return err
	}
	a.forward, err = forward.New(forward.Config{
		URL: c.URL, Organisation: c.Organisation, Bucket: c.Bucket, Token: token, Shed: a.o.Config.Shed.ID,
		Every: c.Every, Store: a.store, Log: a.o.Log,
		Wait: func(ctx context.Context, d time.Duration) error {
			// By the board's clock, not a simulation's: the far end lives by that.
			return clock.Wait(ctx, clock.Board{}, time.Now().Add(d))
		},
	})
	return err
}
