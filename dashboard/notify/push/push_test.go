package push_test

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/push"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// shed is a push service and a way to one browser of it.
type shed struct {
	*notifytest.PushService
	*notifytest.Browser
	*push.Push
	now time.Time
}

func open(t *testing.T) *shed {
	t.Helper()
	ca, k := notifytest.NewAuthority(t), keys(t)
	s := &shed{PushService: notifytest.NewPushService(t, ca), now: time.Now()}
	s.Browser = s.Subscribe(k.Public)
	var err error
	s.Push, err = push.New(push.Config{
		Subject: subject, Keys: k, HTTP: posted.Client(ca.Pool()), Now: func() time.Time { return s.now },
		Lookup: func(id string) (push.Subscription, bool) {
			return push.Subscription{Endpoint: s.Endpoint, P256dh: s.P256dh, Auth: s.Auth}, id == s.ID
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// pushed sends one and returns what the service took.
func (s *shed) pushed(t *testing.T, m notify.Message) notifytest.Pushed {
	t.Helper()
	m.Way = "push/" + s.ID
	before := len(s.Received())
	if err := s.Send(t.Context(), m); err != nil {
		t.Fatalf("Send: %v", err)
	}
	got := s.Received()
	if len(got) != before+1 {
		t.Fatalf("received %d, want %d", len(got), before+1)
	}
	return got[before]
}

func TestWhatWakes(t *testing.T) {
	for _, tt := range []struct {
		kind  notice.Kind
		turn  notice.Turn
		done  bool
		wakes bool
	}{
		{notice.Alarm, notice.Began, false, true},
		{notice.LayUp, notice.Worse, false, true},
		{notice.Alarm, notice.Over, false, false},
		{notice.Alarm, notice.Seen, false, false},
		{notice.Ready, notice.Over, false, true},
		{notice.CoolEnough, notice.Over, false, true},
		{notice.Ready, notice.Over, true, false},
	} {
		s, m := open(t), notifytest.Message(7)
		m.Notice.Kind, m.Notice.Turn, m.Notice.Facts.Done = tt.kind, tt.turn, tt.done
		if got := s.pushed(t, m).Payload.Wakes; got != tt.wakes {
			t.Errorf("%+v wakes: %v", tt, got)
		}
	}
}

func TestTheBrowserReadsWhatTheWorkerNeeds(t *testing.T) {
	s, m := open(t), notifytest.Message(7)
	got := s.pushed(t, m)
	want := notifytest.Payload{Line: m.Line, Tag: m.Tag, Place: m.Place, Until: m.Until.UTC(), Turn: "began", N: 1, At: m.Notice.At.UTC(), Wakes: true}
	if got.Payload != want {
		t.Errorf("payload %+v, want %+v", got.Payload, want)
	}
	if got.Subject != subject {
		t.Errorf("subject %q, want %q", got.Subject, subject)
	}
	short := m
	short.Line = "Q"
	if again := s.pushed(t, short); again.Bytes != got.Bytes {
		t.Errorf("%d and %d bytes: the length tells the push service which message it is", got.Bytes, again.Bytes)
	}
}

func TestThePhoneIsWokenForWhatPresses(t *testing.T) {
	s := open(t)
	for _, tt := range []struct {
		name     string
		kind     notice.Kind
		turn     notice.Turn
		priority alarm.Priority
		want     string
	}{
		{"cool enough", notice.CoolEnough, notice.Began, alarm.Low, "high"},
		{"no longer cool enough, taken back as fast as it was told", notice.CoolEnough, notice.Over, alarm.Low, "high"},
		{"ready", notice.Ready, notice.Began, alarm.Low, "high"},
		{"a high alarm", notice.Alarm, notice.Began, alarm.High, "high"},
		{"a medium alarm", notice.Alarm, notice.Worse, alarm.Medium, "high"},
		{"a low alarm", notice.Alarm, notice.Began, alarm.Low, "normal"},
		{"an alarm that somebody has seen rings nobody", notice.Alarm, notice.Seen, alarm.High, "normal"},
		{"the forecast", notice.Moved, notice.Began, alarm.High, "normal"},
		{"damp in lay-up", notice.LayUp, notice.Began, alarm.Low, "normal"},
		{"frost in lay-up", notice.LayUp, notice.Began, alarm.High, "high"},
		{"a test, to see how fast it comes", notify.Test, notice.Began, alarm.High, "high"},
	} {
		m := notifytest.Message(1)
		m.Notice.Kind, m.Notice.Turn, m.Notice.Priority = tt.kind, tt.turn, tt.priority
		if got := s.pushed(t, m).Urgency; got != tt.want {
			t.Errorf("%s: urgency %q, want %q", tt.name, got, tt.want)
		}
	}
}

func TestThePushServiceKeepsItAsLongAsItIsWanted(t *testing.T) {
	s := open(t)
	for _, tt := range []struct {
		left time.Duration
		want int
	}{
		{time.Hour, 3600},
		{1500 * time.Millisecond, 1},
		{0, 0},
		{-time.Hour, 0},
		{1000 * time.Hour, 28 * 24 * 3600},
	} {
		m := notifytest.Message(1)
		m.Until = s.now.Add(tt.left)
		if got := s.pushed(t, m).TTL; got != tt.want {
			t.Errorf("with %s left TTL %d s, want %d", tt.left, got, tt.want)
		}
	}
}

func TestTurnsOfACauseReplaceOneAnother(t *testing.T) {
	s := open(t)
	began, over, other := notifytest.Message(1), notifytest.Message(1), notifytest.Message(2)
	over.ID, over.Notice.N, over.Notice.Turn = "another", 2, notice.Over
	a, b, c := s.pushed(t, began).Topic, s.pushed(t, over).Topic, s.pushed(t, other).Topic
	if a == "" || a != b || a == c {
		t.Errorf("topics %q, %q of one cause and %q of another", a, b, c)
	}
	if strings.Contains(a, "quillet") {
		t.Errorf("topic %q tells the push service of an engine", a)
	}
}

func TestABrowserThatIsSubscribedNoLonger(t *testing.T) {
	s := open(t)
	m := notifytest.Message(1)
	m.Way = "push/another"
	if err := s.Send(t.Context(), m); !errors.Is(err, notify.ErrGone) {
		t.Errorf("Send to one that nobody knows = %v, want gone", err)
	}
	m.Way = "mail"
	if err := s.Send(t.Context(), m); !errors.Is(err, notify.ErrRefused) {
		t.Errorf("Send by another way = %v, want refused", err)
	}
	// What the push service does not know: 404, as 410.
	s.Endpoint = s.URL() + "/push/nobody"
	m.Way = "push/" + s.ID
	if err := s.Send(t.Context(), m); !errors.Is(err, notify.ErrGone) || !strings.Contains(err.Error(), "404") {
		t.Errorf("Send to what the service does not know = %v, want gone", err)
	}
}

func TestWhatCannotBeSentIsRefusedWithoutBeingSent(t *testing.T) {
	good := open(t)
	for _, tt := range []struct {
		name   string
		change func(*shed, *notify.Message)
	}{
		{"an address that is not https", func(s *shed, _ *notify.Message) { s.Endpoint = strings.Replace(s.Endpoint, "https", "http", 1) }},
		{"an address with a password in it", func(s *shed, _ *notify.Message) {
			s.Endpoint = strings.Replace(s.Endpoint, "https://", "https://a:b@", 1)
		}},
		{"an address that is none", func(s *shed, _ *notify.Message) { s.Endpoint = "https://\x7f" }},
		{"a key off the curve", func(s *shed, _ *notify.Message) { s.P256dh = s.P256dh[:40] + "AAAA" + s.P256dh[44:] }},
		{"a key that is no base64", func(s *shed, _ *notify.Message) { s.Auth = "*" }},
		{"more than fits", func(_ *shed, m *notify.Message) { m.Tag = strings.Repeat("x", 4000) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			m := notifytest.Message(1)
			m.Way = "push/" + s.ID
			tt.change(s, &m)
			if err := s.Send(t.Context(), m); !errors.Is(err, notify.ErrRefused) {
				t.Errorf("Send = %v, want refused", err)
			}
			if got := s.Received(); len(got) != 0 {
				t.Errorf("received %v", got)
			}
		})
	}
	long := notifytest.Message(1)
	long.Line = strings.Repeat("🚂", notice.LineMax)
	long.Tag = strings.Repeat("x", 2000)
	if got := good.pushed(t, long); got.Payload.Line != long.Line {
		t.Errorf("line %q", got.Payload.Line)
	}
}

func TestAnErrorDoesNotSayHowTheBrowserIsReached(t *testing.T) {
	s := open(t)
	s.Kill()
	m := notifytest.Message(1)
	m.Way = "push/" + s.ID
	err := s.Send(t.Context(), m)
	if err == nil || strings.Contains(err.Error(), "/push/"+s.ID) {
		t.Fatalf("Send = %v, want an error without the endpoint", err)
	}
	s.Start()
	if err := s.Send(t.Context(), m); err != nil {
		t.Errorf("Send once the service is there again: %v", err)
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	k, other := keys(t), keys(t)
	lookup := func(string) (push.Subscription, bool) { return push.Subscription{}, false }
	for _, tt := range []struct {
		name string
		c    push.Config
		want string
	}{
		{"nobody is named", push.Config{Keys: k, Lookup: lookup}, "notify.push.subject"},
		{"http", push.Config{Subject: "http://fernhollow.example", Keys: k, Lookup: lookup}, "notify.push.subject"},
		{"no keys", push.Config{Subject: subject, Lookup: lookup}, "private key"},
		{"keys of two pairs", push.Config{Subject: subject, Keys: push.Keys{Private: k.Private, Public: other.Public}, Lookup: lookup}, "public key"},
		{"no key but base64", push.Config{Subject: subject, Keys: push.Keys{Private: "*", Public: k.Public}, Lookup: lookup}, "base64url"},
		{"nobody to ask for browsers", push.Config{Subject: subject, Keys: k}, "Lookup"},
	} {
		if p, err := push.New(tt.c); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: New = %v, %v; want an error with %q", tt.name, p, err, tt.want)
		}
	}
	if _, err := push.New(push.Config{Subject: "https://fernhollow.example", Keys: k, Lookup: lookup, HTTP: http.DefaultClient}); err != nil {
		t.Errorf("New with an https subject: %v", err)
	}
}
