package mail_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	netmail "net/mail"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/mail"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// delivered sends one and returns it from the box.
func delivered(t *testing.T, f far, m notify.Message) notifytest.Mail {
	t.Helper()
	before := f.Mails()
	if err := open(t, f.config()).Send(t.Context(), m); err != nil {
		t.Fatalf("Send: %v", err)
	}
	for _, got := range f.Await(len(before) + 1) {
		if !slices.ContainsFunc(before, func(b notifytest.Mail) bool { return bytes.Equal(b.Raw, got.Raw) }) {
			return got
		}
	}
	t.Fatal("the mail in the box is one that was there before")
	return notifytest.Mail{}
}

func TestTheMailReadsAsAPersonWouldWriteIt(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	m := to(notifytest.Message(4), "elsie")
	got := delivered(t, f, m)
	for head, want := range map[string]string{
		"From":           `"Fernhollow shed" <shed@fernhollow.example>`,
		"To":             `"Elsie Ward" <elsie@fernhollow.example>`,
		"Message-Id":     "<id-4_x@fernhollow.example>",
		"Auto-Submitted": "auto-generated",
		"X-Attempt":      "1",
		"Date":           "Sun, 04 May 2031 18:02:00 +0100",
		"Importance":     "",
		"Content-Type":   "text/plain; charset=UTF-8",
	} {
		if h := got.Header.Get(head); h != want {
			t.Errorf("%s: %s, want %s", head, h, want)
		}
	}
	if got.To != "elsie@fernhollow.example" {
		t.Errorf("delivered to %q", got.To)
	}
	want := `Quillet is cool enough to push into the shed. Confirm first: handbrake – No. 4, “scotched”

Shell 43.1 °C, under 50 °C for 20 min.

Yet to be confirmed by a person:
- Handbrake on, wheels scotched

So at 18:02 on Sunday 4 May 2031. It may have changed since.

As it stands now, with all that it rests on:
https://shed.fernhollow.example/#/pit?engine=quillet

Advice only. It operates nothing and holds nothing shut. Look, listen and try the cocks yourself before you act.
Local law, the engine's written scheme of examination, its maker's book and the railway's own rules come first.
`
	if s := text(t, got); s != want {
		t.Errorf("the mail says\n%s\nwant\n%s", s, want)
	}
	if strings.Contains(string(got.Raw), f.Password) {
		t.Error("the mail has the password in it")
	}
}

// TestServersOnTheWayNeedNoUTF8: the server writes down how a mail was handed to it
// (RFC 6531 §4.3).
func TestServersOnTheWayNeedNoUTF8(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	for box, want := range map[string]bool{"elsie": false, "zoë": true} {
		got := delivered(t, f, to(notifytest.Message(1), box)).Header.Get("Received")
		if utf8 := strings.Contains(got, "utf8esmtpsa"); utf8 != want || !strings.Contains(got, "esmtpsa") {
			t.Errorf("%s: %q, want with UTF-8 %t", box, got, want)
		}
	}
}

func TestARepeatDiffersOnlyInItsCount(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	m := to(notifytest.Message(1), "elsie")
	first := delivered(t, f, m)
	m.Attempt = 2
	second := delivered(t, f, m)
	for _, head := range []string{"Message-Id", "Date", "Subject", "From", "To", "References"} {
		if a, b := first.Header.Get(head), second.Header.Get(head); a != b || a == "" {
			t.Errorf("%s: %q, then %q", head, a, b)
		}
	}
	if got := second.Header.Get("X-Attempt"); got != "2" {
		t.Errorf("X-Attempt %q, want 2", got)
	}
	const said = "This is attempt 2 at one and the same message. It may have come already.\n\n"
	// What a person acts on promises nothing and leaves nobody the choice.
	if word := regexp.MustCompile(`(?i)\b(safe|safely|all clear|you may|guaranteed|certified|interlock)\b`).FindString(text(t, second)); word != "" {
		t.Errorf("a mail says %q: %s", word, text(t, second))
	}
	if a, b := text(t, first), text(t, second); strings.Replace(b, said, "", 1) != a || !strings.Contains(b, said) {
		t.Errorf("first\n%s\nthen\n%s", a, b)
	}
}

func TestTurnsOfACauseStandUnderOneHead(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	began, over, other := to(notifytest.Message(1), "elsie"), to(notifytest.Message(1), "elsie"), to(notifytest.Message(2), "elsie")
	over.ID, over.Line = "another", "Quillet: no longer proven cool enough. The vent is shut. Leave it outside and look."
	over.Notice.N, over.Notice.Turn, over.Notice.At = 2, notice.Over, over.Notice.At.Add(90*time.Minute)
	a, b, c := delivered(t, f, began), delivered(t, f, over), delivered(t, f, other)
	if a.Header.Get("References") != b.Header.Get("References") || a.Header.Get("References") == c.Header.Get("References") {
		t.Errorf("references %q and %q of one cause, %q of another", a.Header.Get("References"), b.Header.Get("References"), c.Header.Get("References"))
	}
	if a.Header.Get("Message-Id") == b.Header.Get("Message-Id") {
		t.Error("two messages have one Message-ID")
	}
	s := text(t, b)
	if !strings.Contains(s, "No longer so since 19:32 on Sunday 4 May 2031; it began at 18:02") {
		t.Errorf("what is over says\n%s", s)
	}
	if strings.Contains(s, "confirmed by a person") {
		t.Errorf("what is over still says what is to be confirmed:\n%s", s)
	}
}

func TestAHighAlarmSaysSoInItsHead(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	m := to(notifytest.Message(1), "elsie")
	m.Notice.Kind, m.Notice.Priority = notice.Alarm, alarm.High
	m.Notice.Facts = notice.Facts{Action: "Open the vent, then look at the gauge."}
	got := delivered(t, f, m)
	if h := got.Header.Get("Importance"); h != "high" {
		t.Errorf("importance %q, want high", h)
	}
	if s := text(t, got); !strings.Contains(s, "What to do: Open the vent, then look at the gauge.") {
		t.Errorf("the mail says\n%s", s)
	}
}

// hostile are names and lines by which somebody would write a head of their own.
var hostile = []string{
	"x\r\nBcc: mallory@fernhollow.example\r\n\r\nhello", "x\nX-Attempt: 9", "a\x00b", "\xff\xfe", strings.Repeat("Ä", 300),
	`"quoted" <mallory@fernhollow.example>`, "=?utf-8?q?x?=", ".\r\n.\r\nRSET", "", "ünïcode 🚂, with; commas: and <angles>",
}

func TestNoNameWritesAHead(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	for i, bad := range hostile {
		m := to(notifytest.Message(i), "elsie")
		m.To, m.Line, m.Tail, m.ID, m.Tag = bad, "Quillet "+bad, bad, "id"+bad, bad
		m.Notice.Facts = notice.Facts{Yet: []string{bad}, Among: []string{bad}, Action: bad}
		c := f.config()
		c.Shed = "Fernhollow " + bad
		before := len(f.Mails())
		if err := open(t, c).Send(t.Context(), m); err != nil {
			t.Errorf("%q: Send: %v", bad, err)
			continue
		}
		all := f.Await(before + 1)
		if len(all) != before+1 {
			t.Errorf("%q: %d mails, want one more than %d", bad, len(all), before)
		}
	}
	for _, got := range f.Mails() {
		if got.To != "elsie@fernhollow.example" || got.Header.Get("Bcc") != "" || len(got.Header["X-Attempt"]) != 1 || got.Header.Get("X-Attempt") != "1" {
			t.Errorf("to %q, heads %v", got.To, got.Header)
		}
		if a, err := netmail.ParseAddressList(got.Header.Get("To")); err != nil || len(a) != 1 || a[0].Address != "elsie@fernhollow.example" {
			t.Errorf("To: %q: %v, %v", got.Header.Get("To"), a, err)
		}
		if line := subject(t, got); strings.ContainsAny(line, "\r\n\x00") || !strings.HasPrefix(line, "Quillet") {
			t.Errorf("subject %q", line)
		}
		if id := got.Header.Get("Message-Id"); len(id) > 100 || strings.Count(id, "@") != 1 {
			t.Errorf("Message-ID %q", id)
		}
		for _, line := range bytes.Split(got.Raw, []byte("\n")) {
			if len(line) > 998 { // RFC 5322 §2.1.1
				t.Errorf("a line of %d characters: %.80s", len(line), line)
			}
		}
	}
}

func TestAnAddressThatIsNoneIsRefused(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	for _, bad := range []string{"", "elsie", "elsie@", "a@b, c@d", "elsie@fernhollow.example\r\nRCPT TO:<mallory@fernhollow.example>", "<script>"} {
		m := notifytest.Message(1)
		m.Way, m.Address = "mail", bad
		if err := open(t, f.config()).Send(t.Context(), m); !errors.Is(err, notify.ErrRefused) {
			t.Errorf("%q: Send = %v, want refused", bad, err)
		}
	}
	if got := f.Mails(); len(got) != 0 {
		t.Errorf("%d mails in the box", len(got))
	}
}

func TestWhatTheServerSaysForGood(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	way := open(t, f.config())
	for _, box := range []string{notifytest.BoxRefused, notifytest.BoxRefusedLate} {
		err := way.Send(t.Context(), to(notifytest.Message(1), box))
		if !errors.Is(err, notify.ErrRefused) || !strings.Contains(err.Error(), "550") {
			t.Errorf("%s: Send = %v, want refused for good", box, err)
		}
	}
	// That the shed's own address is not taken may be mended while the message is true.
	c := f.config()
	c.From = "shed@elsewhere.example"
	err := open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie"))
	if err == nil || errors.Is(err, notify.ErrRefused) || !strings.Contains(err.Error(), "notify.mail.from") {
		t.Errorf("from elsewhere: Send = %v, want another attempt, and how to mend it", err)
	}
	c = f.config()
	c.Password = "wrong"
	err = open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie"))
	if err == nil || errors.Is(err, notify.ErrRefused) || !strings.Contains(err.Error(), "password_file") || strings.Contains(err.Error(), "wrong") {
		t.Errorf("with a wrong password: Send = %v, want another attempt, and how to mend it", err)
	}
	c = f.config()
	c.User, c.Password = "", ""
	err = open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie"))
	if err == nil || !strings.Contains(err.Error(), "say who you are") {
		t.Errorf("without a password: Send = %v, want what the server said", err)
	}
	if got := f.Mails(); len(got) != 0 {
		t.Errorf("%d mails in the box", len(got))
	}
}

// tapped stands between the shed and its server and keeps what the shed says. cut says
// after which of the server's words it breaks the line.
type tapped struct {
	mu   sync.Mutex
	said bytes.Buffer
	cuts atomic.Int32
}

func tap(t *testing.T, port int, cut func(server []byte) bool) (*tapped, int) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	w := &tapped{}
	go func() {
		for {
			shed, err := l.Accept()
			if err != nil {
				return
			}
			go w.carry(shed, port, cut)
		}
	}()
	return w, l.Addr().(*net.TCPAddr).Port
}

func (w *tapped) carry(shed net.Conn, port int, cut func([]byte) bool) {
	defer shed.Close()
	server, err := net.DialTCP("tcp", nil, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port})
	if err != nil {
		return
	}
	defer server.Close()
	go func() {
		_, _ = io.Copy(io.MultiWriter(server, w), shed)
		server.Close()
	}()
	b := make([]byte, 4096)
	for {
		n, err := server.Read(b)
		if err != nil {
			return
		}
		if cut != nil && cut(b[:n]) {
			w.cuts.Add(1)
			return
		}
		if _, err := shed.Write(b[:n]); err != nil {
			return
		}
	}
}

func (w *tapped) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.said.Write(b)
}

func (w *tapped) heard() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.said.String()
}

func TestNothingIsSaidInTheClear(t *testing.T) {
	for _, tt := range []struct {
		name string
		o    notifytest.MailOptions
	}{{"with STARTTLS", notifytest.MailOptions{}}, {"to a server that has none", notifytest.MailOptions{NoTLS: true}}} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFar(t, tt.o)
			w, port := tap(t, f.Port, nil)
			c := f.config()
			c.Port = port
			err := open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie"))
			if tt.o.NoTLS == (err == nil) {
				t.Errorf("Send = %v", err)
			}
			if err != nil && (!strings.Contains(err.Error(), "STARTTLS") || errors.Is(err, notify.ErrRefused)) {
				t.Errorf("Send = %v, want that it lacks STARTTLS, worth another attempt", err)
			}
			heard := w.heard()
			if heard == "" {
				t.Fatal("nothing was heard")
			}
			for _, secret := range []string{"AUTH", "elsie", "Quillet", f.Password} {
				if strings.Contains(heard, secret) {
					t.Errorf("%q was said in the clear: %q", secret, heard)
				}
			}
		})
	}
}

func TestPlainIsForThisMachineOnly(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{NoTLS: true, NoAuth: true})
	c := f.config()
	c.Plain, c.User, c.Password = true, "", ""
	for _, host := range []string{"localhost", "127.0.0.1"} {
		c.Host = host
		if err := open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie")); err != nil {
			t.Errorf("%s: Send: %v", host, err)
		}
	}
	if got := f.Await(2); len(got) != 2 {
		t.Errorf("%d mails in the box, want 2", len(got))
	}
	for _, host := range []string{"mail.fernhollow.example", "10.1.2.3", "localhost.fernhollow.example", "0.0.0.0"} {
		c.Host = host
		if m, err := mail.New(c); err == nil {
			t.Errorf("%s: New = %v, want an error", host, m)
		}
	}
	// The password itself is not sent in the clear, even so.
	g := newFar(t, notifytest.MailOptions{NoTLS: true})
	c = g.config()
	w, port := tap(t, g.Port, nil)
	c.Plain, c.Port = true, port
	if err := open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie")); err == nil {
		t.Error("Send with a password and without TLS = nil, want an error")
	}
	if heard := w.heard(); heard == "" || strings.Contains(heard, "AUTH PLAIN") || strings.Contains(heard, "AUTH LOGIN") {
		t.Errorf("said in the clear: %q", heard)
	}
}

// TestWhatIsTakenStaysTaken: the line breaks once the server has the mail and said so.
func TestWhatIsTakenStaysTaken(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{NoTLS: true, NoAuth: true})
	taken := false
	w, port := tap(t, f.Port, func(server []byte) bool {
		if taken {
			return true // the answer to RSET or QUIT never comes
		}
		taken = bytes.HasPrefix(server, []byte("250 OK id="))
		return false
	})
	c := f.config()
	c.Plain, c.User, c.Password, c.Port = true, "", "", port
	if err := open(t, c).Send(t.Context(), to(notifytest.Message(1), "elsie")); err != nil {
		t.Errorf("Send = %v, want taken", err)
	}
	if w.cuts.Load() == 0 {
		t.Fatal("the line was not broken")
	}
	if got := f.Await(1); len(got) != 1 {
		t.Errorf("%d mails in the box, want 1", len(got))
	}
}

// TestWhatMayBeTakenIsSentAgain: the line breaks before the server's word is heard.
func TestWhatMayBeTakenIsSentAgain(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{NoTLS: true, NoAuth: true})
	var once sync.Once
	w, port := tap(t, f.Port, func(server []byte) (cut bool) {
		if bytes.HasPrefix(server, []byte("250 OK id=")) {
			once.Do(func() { cut = true })
		}
		return cut
	})
	c := f.config()
	c.Plain, c.User, c.Password, c.Port = true, "", "", port
	m := to(notifytest.Message(1), "elsie")
	err := open(t, c).Send(t.Context(), m)
	var later *notify.Later
	if err == nil || errors.Is(err, notify.ErrRefused) || errors.Is(err, notify.ErrUnsent) || errors.As(err, &later) {
		t.Errorf("Send = %v, want what is worth another attempt, and may be taken", err)
	}
	m.Attempt = 2
	if err := open(t, c).Send(t.Context(), m); err != nil || w.cuts.Load() != 1 {
		t.Errorf("Send again = %v, after %d cuts", err, w.cuts.Load())
	}
	got := f.Await(2)
	if len(got) != 2 || got[0].Header.Get("Message-Id") != got[1].Header.Get("Message-Id") {
		t.Errorf("%d mails; want two with one Message-ID", len(got))
	}
}

func TestTheServerDiesAndComesBack(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	way := open(t, f.config())
	m := to(notifytest.Message(1), "elsie")
	f.Kill()
	err := way.Send(t.Context(), m)
	var op *net.OpError
	if !errors.As(err, &op) || op.Op != "dial" {
		t.Errorf("Send to a dead server = %v, want that nobody was reached", err)
	}
	f.Start()
	if err := way.Send(t.Context(), m); err != nil {
		t.Errorf("Send once it is back: %v", err)
	}
	f.Await(1)
}

func TestAContextThatIsOverSendsNothing(t *testing.T) {
	f := newFar(t, notifytest.MailOptions{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := open(t, f.config()).Send(ctx, to(notifytest.Message(1), "elsie")); !errors.Is(err, context.Canceled) {
		t.Errorf("Send = %v, want that it was over", err)
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	good := mail.Config{Host: "localhost", Port: 587, From: "shed@fernhollow.example", Shed: "Fernhollow", Zone: time.UTC}
	if _, err := mail.New(good); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name   string
		change func(*mail.Config)
		want   string
	}{
		{"no server", func(c *mail.Config) { c.Host = "" }, "no mail server"},
		{"port 0", func(c *mail.Config) { c.Port = 0 }, "65535"},
		{"port 65536", func(c *mail.Config) { c.Port = 65536 }, "65535"},
		{"from nobody", func(c *mail.Config) { c.From = "" }, "from"},
		{"from a name", func(c *mail.Config) { c.From = "Shed <shed@fernhollow.example>" }, "from"},
		{"a user without a password", func(c *mail.Config) { c.User = "shed" }, "password"},
		{"a password without a user", func(c *mail.Config) { c.Password = "x" }, "user"},
		{"no zone", func(c *mail.Config) { c.Zone = nil }, "zone"},
	} {
		c := good
		tt.change(&c)
		if m, err := mail.New(c); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: New = %v, %v; want an error with %q", tt.name, m, err, tt.want)
		}
	}
}
