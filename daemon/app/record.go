package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"ashlamp/daemon/config"
	"ashlamp/daemon/record"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/report"
	"ashlamp/ingest/export"
	"ashlamp/rules/engine"
)

// records gives what leaves the daemon as a file.
type records struct {
	past
	config config.Config
	// drawing lets one report be drawn up at a time: each takes some MB, and a board has
	// few.
	drawing chan struct{}
}

func recordsOf(p past, c config.Config) records { return records{p, c, make(chan struct{}, 1)} }

// Report implements the api's Records.
func (r records) Report(ctx context.Context, w io.Writer, id, disposal string) error {
	i := slices.IndexFunc(r.config.Engines, func(e engine.Engine) bool { return e.ID == id })
	if i < 0 {
		return fmt.Errorf("engine %s is not configured any more", id)
	}
	select {
	case r.drawing <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-r.drawing }()
	evening, err := record.Gather(ctx, r.Store, r.config.Shed.Name, r.config.Engines[i], disposal)
	var unknown *record.UnknownError
	if errors.As(err, &unknown) {
		return fmt.Errorf("%w: %s", api.ErrUnknownDisposal, disposal)
	}
	if err != nil {
		return err
	}
	return report.Write(w, evening)
}

// Rows implements the api's Records.
func (r records) Rows(ctx context.Context, engine string, from, to time.Time) (int64, error) {
	return r.Store.Count(ctx, engine, from, to)
}

// Export implements the api's Records.
func (r records) Export(ctx context.Context, w io.Writer, engine string, from, to time.Time, media string) error {
	for _, f := range export.Forms() {
		if f.MediaType() == media {
			return export.Write(ctx, w, r.Store, engine, from, to, f)
		}
	}
	return fmt.Errorf("nothing is exported as %s", media)
}
