package live

import (
	"slices"
	"time"

	"ashlamp/dashboard/message"
	"ashlamp/rules/telemetry"
)

type channel = telemetry.Channel

// differs reports whether the change makes anything other than it is in the state
// that must not be merged away: see the package comment. Sentences, readings,
// forecasts and marks are not among them.
func differs(s message.State, c message.Change) bool {
	switch {
	case c.Phase != nil && *c.Phase != s.Phase,
		c.LayUp != nil && *c.LayUp != s.LayUp,
		c.Front != nil && *c.Front != s.Front,
		c.Disposal != nil && !sameDisposal(s.Disposal, c.Disposal),
		c.Asks != nil && !slices.EqualFunc(s.Asks, *c.Asks, sameAsk),
		c.Alarms != nil && !slices.EqualFunc(s.Alarms, *c.Alarms, sameAlarm),
		c.Confirmations != nil && !slices.EqualFunc(s.Confirmations, *c.Confirmations, sameGiven):
		return true
	}
	return slices.ContainsFunc(c.Steps, func(step message.Step) bool {
		i := slices.IndexFunc(s.Steps, func(o message.Step) bool { return o.ID == step.ID })
		return i < 0 || !sameStep(s.Steps[i], step)
	})
}

func sameStep(a, b message.Step) bool {
	return a.Verdict == b.Verdict && sameTime(a.Done, b.Done) && a.Since.Equal(b.Since) &&
		slices.EqualFunc(a.Because, b.Because, func(a, b message.Reason) bool {
			return a.Evidence == b.Evidence && a.Verdict == b.Verdict
		})
}

func sameDisposal(a, b *message.Disposal) bool {
	return a != nil && b != nil && a.ID == b.ID && sameTime(a.Ended, b.Ended)
}

func sameAsk(a, b message.Ask) bool {
	return a.Confirm == b.Confirm && a.Say == b.Say && a.Step == b.Step && a.Now == b.Now
}

func sameAlarm(a, b message.Alarm) bool {
	return a.ID == b.ID && a.State == b.State && a.Priority == b.Priority
}

func sameGiven(a, b message.Given) bool {
	return a.Confirm == b.Confirm && a.By == b.By && a.At.Equal(b.At) && sameTime(a.Until, b.Until)
}

func sameTime(a, b *time.Time) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Equal(*b)
}
