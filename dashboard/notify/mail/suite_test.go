package mail_test

import (
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/mail"
	"ashlamp/dashboard/notify/notifytest"
)

// far is a mail server with what is needed to send by it.
type far struct {
	*notifytest.MailServer
	ca *notifytest.Authority
}

func newFar(t testing.TB, o notifytest.MailOptions) far {
	t.Helper()
	ca := notifytest.NewAuthority(t)
	return far{notifytest.NewMailServer(t, ca, o), ca}
}

func (f far) config() mail.Config {
	return mail.Config{
		Host: "localhost", Port: f.Port, User: f.User, Password: f.Password, From: "shed@fernhollow.example",
		CA: f.ca.Pool(), Shed: "Fernhollow shed", Zone: time.FixedZone("BST", 3600), Page: "https://shed.fernhollow.example",
	}
}

func open(t testing.TB, c mail.Config) *mail.Mail {
	t.Helper()
	m, err := mail.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// subject reads the line as a mail program shows it.
func subject(t testing.TB, m notifytest.Mail) string {
	t.Helper()
	s, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// text reads the body as a mail program shows it.
func text(t testing.TB, m notifytest.Mail) string {
	t.Helper()
	if e := m.Header.Get("Content-Transfer-Encoding"); e != "quoted-printable" {
		t.Fatalf("encoding %q", e)
	}
	b, err := io.ReadAll(quotedprintable.NewReader(strings.NewReader(string(m.Body))))
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(b), "\r\n", "\n")
}

func to(m notify.Message, box string) notify.Message {
	m.Way, m.Address = "mail", box+"@fernhollow.example"
	return m
}

func TestMail(t *testing.T) {
	notifytest.Run(t, func(t *testing.T) notifytest.Far {
		f := newFar(t, notifytest.MailOptions{})
		distrustful := f.config()
		distrustful.CA = notifytest.NewAuthority(t).Pool()
		return notifytest.Far{
			Way:         open(t, f.config()),
			Distrustful: open(t, distrustful),
			At: func(t *testing.T, address string) notify.Way {
				c := f.config()
				host, port, err := net.SplitHostPort(address)
				if err != nil {
					t.Fatal(err)
				}
				c.Host = host
				if c.Port, err = strconv.Atoi(port); err != nil {
					t.Fatal(err)
				}
				return open(t, c)
			},
			To: func(m notify.Message, mood notifytest.Mood) notify.Message {
				return to(m, map[notifytest.Mood]string{notifytest.Takes: "elsie", notifytest.Busy: notifytest.BoxBusy, notifytest.Refuses: notifytest.BoxRefused}[mood])
			},
			Received: func(n int) []notifytest.Receipt {
				var out []notifytest.Receipt
				for _, m := range f.Await(n) {
					attempt, err := strconv.Atoi(m.Header.Get("X-Attempt"))
					if err != nil {
						t.Error(err)
					}
					out = append(out, notifytest.Receipt{Key: m.Header.Get("Message-Id"), Line: subject(t, m), Attempt: attempt})
				}
				return out
			},
			Moods:  []notifytest.Mood{notifytest.Busy, notifytest.Refuses},
			Counts: true,
		}
	})
}

// BenchmarkSend brings one mail to the mail server on loopback: connection, STARTTLS, name
// and password each time, as at the rate of a shed.
func BenchmarkSend(b *testing.B) {
	f := newFar(b, notifytest.MailOptions{})
	way := open(b, f.config())
	m := to(notifytest.Message(1), "elsie")
	for b.Loop() {
		if err := way.Send(b.Context(), m); err != nil {
			b.Fatal(err)
		}
	}
}
