package webhook_test

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/webhook"
	"ashlamp/rules/notice"
)

func open(t *testing.T, page string, now func() time.Time) (*webhook.Webhook, *notifytest.Receiver) {
	t.Helper()
	ca := notifytest.NewAuthority(t)
	r := notifytest.NewReceiver(t, ca, secret, now)
	w, err := webhook.New(webhook.Config{URL: r.URL(), Secret: secret, Shed: "fernhollow", Page: page, HTTP: posted.Client(ca.Pool()), Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return w, r
}

func TestTheEventSaysAllThatAGatewayNeeds(t *testing.T) {
	now := time.Date(2031, 5, 4, 17, 2, 30, 0, time.UTC)
	w, r := open(t, "https://shed.fernhollow.example", func() time.Time { return now })
	m := notifytest.Message(3)
	m.Attempt = 2
	if err := w.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	e := r.Received()[0]
	if e.ID != m.ID || e.Source != "sheds/fernhollow" || e.Type != "ashlamp.notice.began" || e.Subject != "quillet" || !e.Time.Equal(m.Notice.At) {
		t.Errorf("event %s", e.Body)
	}
	if got := e.Header.Get("Webhook-Timestamp"); got != "1935680550" {
		t.Errorf("timestamp %s, want that of the attempt", got)
	}
	var d webhook.Data
	if err := json.Unmarshal(e.Data, &d); err != nil {
		t.Fatal(err)
	}
	if d.Line != m.Line || d.Text != m.Tail || d.Person != m.To || d.Tag != m.Tag || d.Attempt != 2 || !d.Until.Equal(m.Until) ||
		d.Page != "https://shed.fernhollow.example/#/pit?engine=quillet" || d.Notice.Cause != m.Tag || d.Notice.Facts.Yet[0] != m.Notice.Facts.Yet[0] {
		t.Errorf("data %s", e.Data)
	}
}

func TestTypesOfEvents(t *testing.T) {
	w, r := open(t, "", nil)
	for i, tt := range []struct {
		kind   notice.Kind
		turn   notice.Turn
		engine string
		want   string
	}{
		{notice.Alarm, notice.Began, "quillet", "ashlamp.notice.began"},
		{notice.Alarm, notice.Worse, "quillet", "ashlamp.notice.worse"},
		{notice.Alarm, notice.Seen, "quillet", "ashlamp.notice.seen"},
		{notice.Lost, notice.Over, "", "ashlamp.notice.over"},
		{notify.Test, notice.Began, "", "ashlamp.test"},
	} {
		m := notifytest.Message(i)
		m.Notice.Kind, m.Notice.Turn, m.Notice.Engine = tt.kind, tt.turn, tt.engine
		if err := w.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		e := r.Received()[i]
		if e.Type != tt.want || e.Subject != tt.engine {
			t.Errorf("%s %s: type %q, subject %q", tt.kind, tt.turn, e.Type, e.Subject)
		}
		if strings.Contains(string(e.Body), `"subject":""`) || strings.Contains(string(e.Body), `"page"`) {
			t.Errorf("%s %s: %s has what is empty (CloudEvents 1.0 allows no empty attribute)", tt.kind, tt.turn, e.Body)
		}
	}
}

// TestTheSignatureIsVerifiedByOthers lets openssl make the signature from what came.
func TestTheSignatureIsVerifiedByOthers(t *testing.T) {
	w, r := open(t, "", nil)
	m := notifytest.Message(1)
	if err := w.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	e := r.Received()[0]
	signed := filepath.Join(t.TempDir(), "signed")
	content := e.Header.Get("Webhook-Id") + "." + e.Header.Get("Webhook-Timestamp") + "." + string(e.Body)
	if err := os.WriteFile(signed, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", "hexkey:"+hex.EncodeToString(secret), "-binary", signed).Output()
	if err != nil {
		t.Fatalf("openssl: %v; \"make tools\" installs it", err)
	}
	if got, want := e.Header.Get("Webhook-Signature"), "v1,"+base64.StdEncoding.EncodeToString(out); got != want {
		t.Errorf("signature %q, openssl says %q", got, want)
	}
}

// TestTheSignatureOfTheSpecification signs the example that the Standard Webhooks
// specification's libraries are tested with. From memory.
func TestTheSignatureOfTheSpecification(t *testing.T) {
	key, err := webhook.ParseSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := webhook.Sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("Sign = %q, want %q", got, want)
	}
}

func TestASecretIsReadOrSaidToBeNone(t *testing.T) {
	of := func(n int) string { return "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, n)) }
	for _, s := range []string{of(24), of(32), of(64), " " + of(32) + "\n", strings.TrimRight(of(32), "=")} {
		if b, err := webhook.ParseSecret(s); err != nil || len(b) < 24 {
			t.Errorf("ParseSecret(%q) = %d bytes, %v", s, len(b), err)
		}
	}
	for _, s := range []string{"", "whsec_", "secret", of(23), of(65), "whsec_not base64 at all, but long enough to be one", of(32)[6:]} {
		b, err := webhook.ParseSecret(s)
		if err == nil || !strings.Contains(err.Error(), "openssl rand") {
			t.Errorf("ParseSecret(%q) = %d bytes, %v; want an error that says how to make one", s, len(b), err)
		}
		if err != nil && len(s) > 10 && strings.Contains(err.Error(), s[6:]) {
			t.Errorf("%q tells the secret", err)
		}
	}
}

func FuzzParseSecret(f *testing.F) {
	f.Add("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	f.Add("whsec_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n")
	f.Fuzz(func(t *testing.T, s string) {
		b, err := webhook.ParseSecret(s)
		if err != nil {
			return
		}
		again, err := webhook.ParseSecret("whsec_" + base64.StdEncoding.EncodeToString(b))
		if err != nil || string(again) != string(b) || len(b) < 24 || len(b) > 64 {
			t.Errorf("%q is read as %x, and that as %x, %v", s, b, again, err)
		}
	})
}

func TestAnErrorTellsNoToken(t *testing.T) {
	ca := notifytest.NewAuthority(t)
	r := notifytest.NewReceiver(t, ca, secret, nil)
	w, err := webhook.New(webhook.Config{URL: r.URL() + "/hook?token=between-us", Secret: secret, Shed: "fernhollow", HTTP: posted.Client(ca.Pool())})
	if err != nil {
		t.Fatal(err)
	}
	r.Kill()
	if err := w.Send(t.Context(), notifytest.Message(1)); err == nil || strings.Contains(err.Error(), "between-us") {
		t.Errorf("Send = %v, want an error without the token", err)
	}
	if _, err := webhook.New(webhook.Config{URL: "ftp://gateway.example/?token=between-us", Secret: secret, Shed: "x"}); err == nil || strings.Contains(err.Error(), "between-us") {
		t.Errorf("New = %v, want an error without the token", err)
	}
}

func TestAReceiverThatWantsNothingAnyMoreIsNotForgotten(t *testing.T) {
	w, r := open(t, "", nil)
	r.Answer(notifytest.Gone)
	if err := w.Send(t.Context(), notifytest.Message(1)); !errors.Is(err, notify.ErrRefused) || errors.Is(err, notify.ErrGone) {
		t.Errorf("Send = %v, want refused", err)
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	for _, tt := range []struct {
		name string
		c    webhook.Config
		want string
	}{
		{"no address", webhook.Config{Secret: secret, Shed: "x"}, "url"},
		{"no secret", webhook.Config{URL: "https://gateway.example", Shed: "x"}, "secret_file"},
		{"a short secret", webhook.Config{URL: "https://gateway.example", Secret: secret[:23], Shed: "x"}, "23 bytes"},
		{"no shed", webhook.Config{URL: "https://gateway.example", Secret: secret}, "id"},
	} {
		if w, err := webhook.New(tt.c); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: New = %v, %v; want an error with %q", tt.name, w, err, tt.want)
		}
	}
	if _, err := webhook.New(webhook.Config{URL: "http://gateway.example", Secret: secret, Shed: "x", HTTP: http.DefaultClient}); err != nil {
		t.Errorf("New: %v", err)
	}
}
