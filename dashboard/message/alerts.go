package message

import (
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// Alerts is what one person has chosen to be told, by which ways, and what became of it.
type Alerts struct {
	Person string       `json:"person"`
	Choice AlertsChoice `json:"choice"`
	// Ways are the ways out that the shed has, the person's own browsers among them.
	Ways []AlertsWay `json:"ways"`
	// PushKey is the application server key (RFC 8292 §3.2), base64url without padding;
	// what a browser subscribes with.
	PushKey string `json:"push_key"`
	// Letters are the newest messages to the person, the newest first.
	Letters []AlertsLetter `json:"letters"`
	// Failing says in a sentence which way has been failing and since when; empty where
	// none has.
	Failing string `json:"failing,omitempty"`
	// Watcher is who outside of the shed notices that the daemon is silent; null where
	// there is nobody.
	Watcher *AlertsWatcher `json:"watcher"`
}

// AlertsWatcher is a watcher outside of the shed, which is sent heartbeats and rings when
// none comes.
type AlertsWatcher struct {
	// Taken is when it last took one, Failed since when it has not.
	Taken  *time.Time `json:"taken,omitempty"`
	Failed *time.Time `json:"failed,omitempty"`
	// Trouble is why it does not; empty while it does.
	Trouble string `json:"trouble,omitempty"`
}

// AlertsChoice is what a person chose.
type AlertsChoice struct {
	// Engines are those that the person wants to hear of; empty means all of the shed.
	Engines []string `json:"engines"`
	// Kinds are what is worth a ring to the person; empty means nothing.
	Kinds []notice.Kind `json:"kinds"`
	// Lowest is the least alarm that rings.
	Lowest alarm.Priority `json:"lowest"`
	// QuietFrom and QuietTo are the hours, shed's time "22:00", in which only alarms of
	// high priority ring; both empty for none.
	QuietFrom string `json:"quiet_from,omitempty"`
	QuietTo   string `json:"quiet_to,omitempty"`
	// Pressure is "bar" or "psi", Temperature "C" or "F".
	Pressure    string `json:"pressure"`
	Temperature string `json:"temperature"`
	// Mail is the address; empty for none.
	Mail string `json:"mail,omitempty"`
	// Webhook is that the shed's webhook is sent what the person is told.
	Webhook bool `json:"webhook,omitempty"`
	// After is the turn in which the person is rung for what nobody acknowledges: 0 at
	// once, 1 after the first interval, and so on.
	After int `json:"after"`
}

// AlertsWay is a way out.
type AlertsWay struct {
	// ID is "mail", "webhook", or "push/" and the browser's id.
	ID string `json:"id"`
	// Name is what the person calls the browser; empty for the others.
	Name string `json:"name,omitempty"`
	// Open is that the shed can use it; Text says in a sentence why it cannot.
	Open bool   `json:"open"`
	Text string `json:"text,omitempty"`
	// Taken is when the other side last took something, Failed since when it has not.
	Taken  *time.Time `json:"taken,omitempty"`
	Failed *time.Time `json:"failed,omitempty"`
}

// AlertsLetter is one message by one way, and what became of it.
type AlertsLetter struct {
	ID   string `json:"id"`
	Way  string `json:"way"`
	Line string `json:"line"`
	// Engine is the id, empty for the shed.
	Engine string    `json:"engine,omitempty"`
	At     time.Time `json:"t"`
	// State is "waiting", "taken", "over" (no longer so before it could be sent) or
	// "given-up".
	State    string     `json:"state"`
	Attempts int        `json:"attempts"`
	Taken    *time.Time `json:"taken,omitempty"`
	Next     *time.Time `json:"next,omitempty"`
	// Trouble is what the other side said last.
	Trouble string `json:"trouble,omitempty"`
}

// AlertsPut sets what a person chose.
type AlertsPut struct {
	Choice AlertsChoice `json:"choice"`
}

// AlertsBrowser is a browser's push subscription (W3C Push API).
type AlertsBrowser struct {
	// Name is what the person calls it.
	Name     string `json:"name"`
	Endpoint string `json:"endpoint"`
	// P256dh and Auth are the subscription's keys (RFC 8291 §3.1), base64url.
	P256dh string `json:"p256dh"`
	Auth   string `json:"auth"`
}

// AlertsTest asks for one message by one way, now.
type AlertsTest struct {
	Way string `json:"way"`
}

// Whole is as [Engine.Whole].
func (a Alerts) Whole() Alerts {
	a.Choice = a.Choice.Whole()
	a.Ways, a.Letters = filled(a.Ways), filled(a.Letters)
	return a
}

// Whole is as [Engine.Whole].
func (c AlertsChoice) Whole() AlertsChoice {
	c.Engines, c.Kinds = filled(c.Engines), filled(c.Kinds)
	return c
}
