package notify_test

import (
	"crypto/ecdh"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/problem"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// phone is a subscription as a browser makes one.
func phone(t *testing.T, name string) message.AlertsBrowser {
	t.Helper()
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return message.AlertsBrowser{
		Name: name, Endpoint: "https://push.example/" + name, P256dh: base64.RawURLEncoding.EncodeToString(key.PublicKey().Bytes()),
		Auth: base64.RawURLEncoding.EncodeToString([]byte("0123456789abcdef")),
	}
}

func refusedAs(t *testing.T, what string, err error, want problem.Kind) {
	t.Helper()
	var no *api.Refusal
	if !errors.As(err, &no) || no.Kind != want || no.Detail == "" || no.Mend == "" {
		t.Errorf("%s: %v, want it refused as %s, with a mend", what, err, want.Type)
	}
}

func (s *shed) alerts(person string) message.Alerts {
	s.Helper()
	a, err := s.office.Alerts(s.ctx, person)
	if err != nil {
		s.Fatal(err)
	}
	return a
}

func TestWhoNeverChoseIsRungByNothingYet(t *testing.T) {
	inShed(t, func(s *shed) {
		s.keep(frost, notice.Began, nil)
		s.after(time.Hour)
		a := s.alerts(penhalow)
		if a.PushKey != "BKey" || len(a.Choice.Kinds) != len(notice.Kinds())-1 || a.Choice.Lowest != alarm.Medium || a.Letters == nil || a.Failing != "" {
			t.Errorf("%+v", a)
		}
		for _, w := range a.Ways {
			if open := w.ID == "webhook"; w.Open != open || open == (w.Text != "") {
				t.Errorf("way %+v", w)
			}
		}
		_, err := s.office.Alerts(s.ctx, "Nobody")
		refusedAs(t, "a stranger", err, problem.UnknownPerson)
		refusedAs(t, "a stranger's choice", s.office.Choose(s.ctx, "Nobody", a.Choice), problem.UnknownPerson)
	})
}

func TestBrowsersComeAndGo(t *testing.T) {
	inShed(t, func(s *shed) {
		p := phone(t, "Phone")
		w, err := s.office.Subscribe(s.ctx, penhalow, p)
		if err != nil || !w.Open || w.Name != "Phone" || !strings.HasPrefix(w.ID, "push/") {
			t.Fatalf("%+v, %v", w, err)
		}
		// Once more with new keys, as browsers do, and padded, as some do.
		again := phone(t, "Phone")
		again.P256dh += "="
		if w2, err := s.office.Subscribe(s.ctx, penhalow, again); err != nil || w2.ID != w.ID {
			t.Fatalf("%+v, %v", w2, err)
		}
		id := strings.TrimPrefix(w.ID, "push/")
		if b, ok := s.office.Browser(id); !ok || b.P256dh != strings.TrimRight(again.P256dh, "=") || b.Endpoint != p.Endpoint {
			t.Errorf("kept %+v, %v", b, ok)
		}
		for what, alter := range map[string]func(*message.AlertsBrowser){
			"no key":          func(b *message.AlertsBrowser) { b.P256dh = "" },
			"a point nowhere": func(b *message.AlertsBrowser) { b.P256dh = base64.RawURLEncoding.EncodeToString(make([]byte, 65)) },
			"a short secret":  func(b *message.AlertsBrowser) { b.Auth = "AAAA" },
		} {
			b := phone(t, "Phone")
			alter(&b)
			_, err := s.office.Subscribe(s.ctx, penhalow, b)
			refusedAs(t, what, err, problem.BadRequest)
		}
		s.restart(time.Minute)
		s.keep(frost, notice.Began, nil)
		if got := s.push.taken(); got != penhalow+" "+frost+" began" {
			t.Errorf("push: %s", got)
		}
		if m := s.push.attempts()[0]; m.Way != w.ID || m.Tag != frost {
			t.Errorf("%+v", m)
		}

		// Gone, says the push service.
		s.push.says(fails(fmt.Errorf("410: %w", notify.ErrGone)))
		s.keep("quillet/alarm/x/1", notice.Began, nil)
		s.push.says(nil)
		if _, ok := s.office.Browser(id); ok {
			t.Error("it is still there")
		}
		a := s.alerts(penhalow)
		if !strings.Contains(a.Failing, `"Phone" is rung no longer`) || !strings.Contains(a.Failing, "12:01") || a.Letters[0].State != "given-up" {
			t.Errorf("failing %q, %+v", a.Failing, a.Letters[0])
		}
		s.keep("quillet/alarm/y/1", notice.Began, nil)
		if got := s.push.taken(); got != "" {
			t.Errorf("rung all the same: %s", got)
		}
		s.restart(time.Minute)
		if s.alerts(penhalow).Failing == "" {
			t.Error("after a restart nobody is told that the phone is not reached")
		}
		if _, err := s.office.Subscribe(s.ctx, penhalow, phone(t, "Phone")); err != nil {
			t.Fatal(err)
		}
		if a := s.alerts(penhalow); a.Failing != "" || len(a.Ways) != 3 {
			t.Errorf("subscribed again: %+v", a)
		}
		refusedAs(t, "another's phone", s.office.Unsubscribe(s.ctx, oxley, id), problem.UnknownWay)
		if err := s.office.Unsubscribe(s.ctx, penhalow, id); err != nil {
			t.Fatal(err)
		}
		if a := s.alerts(penhalow); a.Failing != "" || len(a.Ways) != 2 {
			t.Errorf("taken away by the person: %+v", a)
		}
		for i := range 20 {
			if _, err := s.office.Subscribe(s.ctx, penhalow, phone(t, fmt.Sprint(i))); err != nil {
				t.Fatal(err)
			}
		}
		_, err = s.office.Subscribe(s.ctx, penhalow, phone(t, "one more"))
		refusedAs(t, "one more", err, problem.NotNow)
	})
}

func TestAPersonIsToldThatAWayFails(t *testing.T) {
	inShed(t, func(s *shed) {
		s.choose(penhalow, nil)
		s.mail.says(fails(errors.New("454 TLS not available")))
		s.keep(frost, notice.Began, nil)
		if a := s.alerts(penhalow); a.Failing != "" || a.Letters[0].State != "waiting" || a.Letters[0].Next == nil || a.Letters[0].Trouble == "" {
			t.Errorf("one attempt that failed: %+v", a)
		}
		s.after(26 * time.Hour)
		a := s.alerts(penhalow)
		if want := "Mail has taken nothing since 2 January 12:00 (454 TLS not available). What is still so is tried again."; a.Failing != want {
			t.Errorf("got  %s\nwant %s", a.Failing, want)
		}
		if w := a.Ways[0]; w.ID != "mail" || w.Failed == nil || w.Taken != nil || !w.Open {
			t.Errorf("%+v", w)
		}
		if b := s.alerts(oxley); b.Failing != "" || len(b.Letters) != 0 {
			t.Errorf("another person is shown %+v", b)
		}
		// Mended, and pressed: the press is told, and what waits goes at once.
		s.mail.says(nil)
		l, err := s.office.Test(s.ctx, penhalow, "mail")
		if err != nil || l.State != "taken" || l.Taken == nil || l.Attempts != 1 || !strings.HasPrefix(l.Line, "Fernhollow shed: a test") {
			t.Fatalf("%+v, %v", l, err)
		}
		s.after(0, penhalow+" "+frost+" began", penhalow+" test/mail began")
		if a := s.alerts(penhalow); a.Ways[0].Taken == nil || a.Ways[0].Failed != nil || a.Failing != "" {
			t.Errorf("%+v", a)
		}
	})
}

func TestATestPress(t *testing.T) {
	inShed(t, func(s *shed) {
		_, err := s.office.Test(s.ctx, "Nobody", "mail")
		refusedAs(t, "a stranger", err, problem.UnknownPerson)
		_, err = s.office.Test(s.ctx, penhalow, "push/none")
		refusedAs(t, "no such browser", err, problem.UnknownWay)
		_, err = s.office.Test(s.ctx, penhalow, "mail")
		refusedAs(t, "no address", err, problem.NotOpen)
		s.choose(penhalow, func(c *message.AlertsChoice) { c.Kinds = nil; c.QuietFrom, c.QuietTo = "00:00", "23:59" })
		if l, err := s.office.Test(s.ctx, penhalow, "mail"); err != nil || l.State != "taken" {
			t.Errorf("whatever was chosen: %+v, %v", l, err)
		}
		if m := s.mail.attempts()[0]; m.Notice.Kind != notify.Test || m.ID == "" || m.Address != "penhalow@fernhollow.example" || len([]rune(m.Line)) > notice.LineMax {
			t.Errorf("%+v", m)
		}
		s.mail.taken()
		time.Sleep(time.Second)
		s.mail.says(fails(errors.New("connection refused")))
		l, err := s.office.Test(s.ctx, penhalow, "mail")
		if err != nil || l.State != "given-up" || l.Trouble != "connection refused" || l.Next != nil {
			t.Errorf("%+v, %v", l, err)
		}
		s.after(time.Hour) // it is tried once
		if a := s.alerts(penhalow); len(a.Letters) != 2 || a.Ways[0].Failed == nil || !strings.Contains(a.Failing, "connection refused") {
			t.Errorf("%+v", a)
		}
		p, err := s.office.Subscribe(s.ctx, penhalow, phone(t, "Phone"))
		if err != nil {
			t.Fatal(err)
		}
		s.push.says(fails(notify.ErrGone))
		if l, err := s.office.Test(s.ctx, penhalow, p.ID); err != nil || l.State != "given-up" {
			t.Errorf("%+v, %v", l, err)
		}
		if a := s.alerts(penhalow); len(a.Ways) != 2 {
			t.Errorf("a phone that is gone stays: %+v", a.Ways)
		}
	})
}
