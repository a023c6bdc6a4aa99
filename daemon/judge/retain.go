package judge

import (
	"encoding/json"
	"time"

	"ashlamp/ingest/topic"
	"ashlamp/rules/alarm"
	"ashlamp/rules/verdict"
)

// published is a step as it stands on the broker: the replay line, and how long
// it may be believed.
type published struct {
	verdict.Change
	Until time.Time `json:"until"`
}

// retain publishes every step anew, so that a reader can tell a verdict that
// stands from one that nobody renews.
func (l *Loop) retain(now time.Time) {
	l.renew = now.Add(RenewEvery)
	for _, c := range l.judge.Changes() {
		l.retainStep(*c.Step)
	}
	for _, c := range l.judge.Alarms() {
		l.retainAlarm(c)
	}
}

// publishedAlarm is an alarm as it stands on the broker, likewise.
type publishedAlarm struct {
	alarm.Change
	Until time.Time `json:"until"`
}

func (l *Loop) retainAlarm(c alarm.Change) {
	b, err := json.Marshal(publishedAlarm{c, c.At.Add(PublishedFor)})
	if err != nil {
		l.o.Log.Error("an alarm cannot be published", "engine", c.Engine, "watch", c.Watch, "error", err)
		return
	}
	if err := l.o.Retain(topic.Topic{Kind: topic.Alarm, Shed: l.o.Shed, Engine: c.Engine, Name: c.Watch}.String(), b); err != nil {
		l.o.Log.Debug("an alarm was not published", "engine", c.Engine, "watch", c.Watch, "error", err)
	}
}

func (l *Loop) retainStep(c verdict.Change) {
	b, err := json.Marshal(published{c, c.At.Add(PublishedFor)})
	if err != nil {
		l.o.Log.Error("a step cannot be published", "engine", c.Engine, "step", c.Step, "error", err)
		return
	}
	if err := l.o.Retain(topic.Topic{Kind: topic.Step, Shed: l.o.Shed, Engine: c.Engine, Name: c.Step}.String(), b); err != nil {
		l.o.Log.Debug("a step was not published", "engine", c.Engine, "step", c.Step, "error", err)
	}
}
