package judge

import (
	"context"

	"ashlamp/rules/verdict"
)

// lamp is what the loop needs of a lamp: half a pulse a turn, and rest. No pulse comes
// from anywhere else, so that a loop that hangs leaves the lamp without.
type lamp interface {
	Turn(lit bool) error
	Rest() error
}

// pulse makes half a pulse for the lamp, or none. What came in before this moment is
// judged first, and what time alone changes by now: a verdict that is proven only because
// nobody looked again lights nothing.
func (l *Loop) pulse(ctx context.Context) {
	if l.o.Lamp == nil {
		return
	}
	if len(l.in) > 0 || !l.judgedNow() {
		l.tick(ctx)
	}
	err := l.o.Lamp.Turn(l.judgedNow() && l.judge.Verdict(l.o.LampStep) == verdict.Proven)
	if err != nil && l.unlit == nil {
		l.o.Log.Error("the lamp cannot be driven and stays dark", "engine", l.o.Engine.ID, "error", err)
	}
	if err == nil && l.unlit != nil {
		l.o.Log.Info("the lamp can be driven again", "engine", l.o.Engine.ID)
	}
	l.unlit = err
}

// judgedNow reports whether the verdicts hold for this moment: nothing that time alone
// changes is overdue, and the clock was not set back behind them. Behind them nothing
// would grow old for as long as it was set back.
func (l *Loop) judgedNow() bool {
	now := l.o.Clock.Now()
	next, ok := l.judge.Next()
	return !now.Before(l.judge.Now()) && (!ok || next.After(now))
}

// dark leaves the pin low at the end.
func (l *Loop) dark() {
	if l.o.Lamp == nil {
		return
	}
	if err := l.o.Lamp.Rest(); err != nil {
		l.o.Log.Warn("the lamp's pin was not left low; without pulses the lamp is dark all the same", "engine", l.o.Engine.ID, "error", err)
	}
}
