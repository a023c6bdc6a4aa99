package app

import (
	"context"
	"encoding/json"
	"fmt"

	"ashlamp/dashboard/message"
	"ashlamp/ingest/store"
)

// KindConfigured is the kind of an entry of the book that tells of a change of the
// configuration.
const KindConfigured = "configured"

// configured is the body of such an entry.
type configured struct {
	Text string `json:"text"`
}

// Configured writes into an engine's book that its configuration was changed, by whom
// (may be empty) and to what, in a sentence.
func (a *App) Configured(ctx context.Context, engine, by, text string) error {
	body, err := json.Marshal(configured{text})
	if err != nil {
		return fmt.Errorf("encode a change of the configuration: %w", err)
	}
	return a.store.Note(ctx, engine, []store.Entry{{At: a.o.Clock.Now(), Kind: KindConfigured, By: by, Body: body}})
}

// State returns how an engine is now, as the pages are told; false where there is none.
func (a *App) State(engine string) (message.State, bool) { return a.hub.State(engine) }
