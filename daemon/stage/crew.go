package stage

import (
	"context"
	"errors"

	"ashlamp/dashboard/api"
	"ashlamp/rules/telemetry"
	"ashlamp/simulators/crew"
)

// lamp is what the crew sees on the page.
type lamp struct {
	s      *Stage
	engine string
}

var _ crew.Lamp = lamp{}

// Verdict returns the word of a step; "cannot-tell" where nothing is shown yet.
func (l lamp) Verdict(step string) string {
	if f := l.s.last(); f != nil {
		if state, ok := f.app.State(l.engine); ok {
			for _, st := range state.Steps {
				if st.ID == step {
					return st.Verdict.String()
				}
			}
		}
	}
	return "cannot-tell"
}

// sayer takes the crew's words to the daemon as the page does.
type sayer struct {
	s      *Stage
	engine string
}

// Say tells the daemon; that a word no longer stood when it was taken back, that a
// disposal is over, or that the engine is set up otherwise than the crew works it, is no
// reason to stop.
func (t sayer) Say(ctx context.Context, e telemetry.Event) error {
	return t.s.with(ctx, func(ctx context.Context, f *facing) error {
		err := error(api.ErrNotNow) // of an engine that was taken out
		if _, known := f.engine(t.engine); known {
			_, err = f.app.Say().Say(ctx, t.engine, e)
		}
		if errors.Is(err, api.ErrNotGiven) || errors.Is(err, api.ErrNotNow) || errors.Is(err, api.ErrUnknownConfirmation) {
			t.s.o.Log.Warn("a word of the crew did not fit", "engine", t.engine, "said", e.Kind, "subject", e.Subject, "error", err)
			return nil
		}
		return err
	})
}
