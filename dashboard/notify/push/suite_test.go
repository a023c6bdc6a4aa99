package push_test

import (
	"testing"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/push"
)

const subject = "mailto:custodian@fernhollow.example"

func keys(t testing.TB) push.Keys {
	t.Helper()
	k, err := push.NewKeys()
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestPush(t *testing.T) {
	notifytest.Run(t, func(t *testing.T) notifytest.Far {
		ca, k := notifytest.NewAuthority(t), keys(t)
		service := notifytest.NewPushService(t, ca)
		browser := service.Subscribe(k.Public)
		at := func(t *testing.T, endpoint string, trusted bool) notify.Way {
			t.Helper()
			c := push.Config{Subject: subject, Keys: k, HTTP: posted.Client(nil), Lookup: func(id string) (push.Subscription, bool) {
				return push.Subscription{Endpoint: endpoint, P256dh: browser.P256dh, Auth: browser.Auth}, id == browser.ID
			}}
			if trusted {
				c.HTTP = posted.Client(ca.Pool())
			}
			p, err := push.New(c)
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		return notifytest.Far{
			Way:         at(t, browser.Endpoint, true),
			Distrustful: at(t, browser.Endpoint, false),
			At: func(t *testing.T, address string) notify.Way {
				return at(t, "https://"+address+"/push/x", true)
			},
			To: func(m notify.Message, mood notifytest.Mood) notify.Message {
				service.Answer(browser.ID, mood)
				m.Way = "push/" + browser.ID
				return m
			},
			Received: func(int) []notifytest.Receipt {
				var out []notifytest.Receipt
				for _, p := range service.Received() {
					out = append(out, notifytest.Receipt{Key: p.Topic + " " + p.Payload.Tag, Line: p.Payload.Line})
				}
				return out
			},
			Moods:       []notifytest.Mood{notifytest.Busy, notifytest.Gone, notifytest.Refuses, notifytest.Fails},
			SaysHowLong: true,
		}
	})
}

// BenchmarkSend encrypts, signs and posts one push to a service on loopback that verifies
// and decrypts it.
func BenchmarkSend(b *testing.B) {
	ca, k := notifytest.NewAuthority(b), keys(b)
	service := notifytest.NewPushService(b, ca)
	browser := service.Subscribe(k.Public)
	p, err := push.New(push.Config{Subject: subject, Keys: k, HTTP: posted.Client(ca.Pool()), Lookup: func(string) (push.Subscription, bool) {
		return push.Subscription{Endpoint: browser.Endpoint, P256dh: browser.P256dh, Auth: browser.Auth}, true
	}})
	if err != nil {
		b.Fatal(err)
	}
	m := notifytest.Message(1)
	m.Way = "push/" + browser.ID
	for b.Loop() {
		if err := p.Send(b.Context(), m); err != nil {
			b.Fatal(err)
		}
	}
}
