package webhook_test

import (
	"encoding/json"
	"testing"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/webhook"
)

var secret = []byte("thirty-two bytes of a test's own")

func TestWebhook(t *testing.T) {
	notifytest.Run(t, func(t *testing.T) notifytest.Far {
		ca := notifytest.NewAuthority(t)
		r := notifytest.NewReceiver(t, ca, secret, nil)
		at := func(t *testing.T, address string, trusted bool) notify.Way {
			t.Helper()
			c := webhook.Config{URL: address + "/ashlamp?token=between-us", Secret: secret, Shed: "fernhollow", HTTP: posted.Client(nil)}
			if trusted {
				c.HTTP = posted.Client(ca.Pool())
			}
			w, err := webhook.New(c)
			if err != nil {
				t.Fatal(err)
			}
			return w
		}
		return notifytest.Far{
			Way:         at(t, r.URL(), true),
			Distrustful: at(t, r.URL(), false),
			At:          func(t *testing.T, address string) notify.Way { return at(t, "https://"+address, true) },
			To: func(m notify.Message, mood notifytest.Mood) notify.Message {
				r.Answer(mood)
				m.Way = "webhook"
				return m
			},
			Received: func(int) []notifytest.Receipt {
				var out []notifytest.Receipt
				for _, e := range r.Received() {
					var d struct {
						Line    string
						Attempt int
					}
					if err := json.Unmarshal(e.Data, &d); err != nil {
						t.Fatal(err)
					}
					out = append(out, notifytest.Receipt{Key: e.ID, Line: d.Line, Attempt: d.Attempt})
				}
				return out
			},
			Moods:       []notifytest.Mood{notifytest.Busy, notifytest.Refuses, notifytest.Fails},
			SaysHowLong: true, Counts: true,
		}
	})
}

// BenchmarkSend signs and posts one event to a receiver on loopback that verifies it.
func BenchmarkSend(b *testing.B) {
	ca := notifytest.NewAuthority(b)
	r := notifytest.NewReceiver(b, ca, secret, nil)
	w, err := webhook.New(webhook.Config{URL: r.URL(), Secret: secret, Shed: "fernhollow", HTTP: posted.Client(ca.Pool())})
	if err != nil {
		b.Fatal(err)
	}
	m := notifytest.Message(1)
	for b.Loop() {
		if err := w.Send(b.Context(), m); err != nil {
			b.Fatal(err)
		}
	}
}
