// Package mail brings a message as e-mail, through the mail server of the shed's choice:
// by SMTP (RFC 5321) with STARTTLS (RFC 3207), and a name and password where the server
// wants them. Every attempt at a message carries the same Message-ID, so that a mailbox
// can tell a repeat from something new, and says in X-Attempt which it is.
package mail

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"net/textproto"
	"strings"
	"sync/atomic"
	"time"

	"github.com/wneessen/go-mail"

	"ashlamp/dashboard/notify"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

const (
	// unhurried is how long an attempt may take where the context sets no end.
	unhurried = time.Minute
	// leaving is how long the server may take to say goodbye; it has the message by then.
	leaving = time.Second
)

// Config is what mail is made of. Host, Port, From, Shed and Zone are required.
type Config struct {
	Host string
	Port int
	// User and Password are what the server asks for; both empty where it does not.
	User, Password string
	// From is the address that mails are from.
	From string
	// CA are the authorities that may sign the server's certificate; nil for the machine's.
	CA *x509.CertPool
	// Plain sends without STARTTLS. It is for a server on this machine only, and [New]
	// refuses it for another.
	Plain bool
	// Shed is what people call the shed; mails are from it by name. Zone is its time zone.
	Shed string
	Zone *time.Location
	// Page is the address under which the page is opened, as
	// "https://shed.fernhollow.example"; empty where none is given.
	Page string
}

// Mail is a [notify.Way].
type Mail struct {
	c      Config
	domain string // what stands behind the @ in Message-ID
}

var _ notify.Way = (*Mail)(nil)

// New returns mail by the configuration, or what is wrong with it. It reaches no server.
func New(c Config) (*Mail, error) {
	a, err := netmail.ParseAddress(c.From)
	if err != nil || a.Address != c.From {
		return nil, fmt.Errorf("mail: from = %q is not one address; write whom the mails are from, as \"shed@fernhollow.example\"", c.From)
	}
	if c.Host == "" || c.Port < 1 || c.Port > 65535 {
		return nil, fmt.Errorf("mail: %q port %d is no mail server; name one as \"mail.fernhollow.example\" and a port of 1 to 65535", c.Host, c.Port)
	}
	if c.Plain && !loopback(c.Host) {
		return nil, fmt.Errorf("mail: %q is not this machine, and is not spoken to without STARTTLS; leave starttls out", c.Host)
	}
	if (c.User == "") != (c.Password == "") {
		return nil, errors.New("mail: a user goes with a password; give both, or neither where the server asks for none")
	}
	if c.Shed == "" || c.Zone == nil {
		return nil, errors.New("mail: the shed's name or time zone is missing; give both")
	}
	_, domain, _ := strings.Cut(c.From, "@")
	return &Mail{c, domain}, nil
}

// loopback reports whether a host is certainly this machine.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Send implements [notify.Way]. It is taken once the server has said so for the whole
// message; what goes wrong in leaving is not asked about.
func (w *Mail) Send(ctx context.Context, m notify.Message) error {
	msg, err := w.compose(m)
	if err != nil {
		return fmt.Errorf("mail: %w: %w", err, notify.ErrRefused)
	}
	deadline, ok := ctx.Deadline()
	if !ok {
		deadline = time.Now().Add(unhurried)
	}
	// The library sets deadlines but looks at no context once it is connected.
	var line atomic.Pointer[net.Conn]
	stop := context.AfterFunc(ctx, func() {
		if c := line.Load(); c != nil {
			(*c).Close()
		}
	})
	defer stop()
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := new(net.Dialer).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		line.Store(&c)
		if ctx.Err() != nil { // it ended before there was anything to close
			c.Close()
		}
		return c, nil
	}
	client, err := mail.NewClient(w.c.Host, w.options(dial, time.Until(deadline), ascii(m.Address))...)
	if err != nil {
		return fmt.Errorf("mail: %w", err)
	}
	smtp, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		if c := line.Load(); c != nil {
			(*c).Close()
		}
		return fmt.Errorf("%w (%w)", w.failed(ctx, err), notify.ErrUnsent)
	}
	err = client.SendWithSMTPClient(smtp, msg)
	if msg.IsDelivered() {
		err = nil
	}
	if c := line.Load(); c != nil {
		// A server that died after it took the message, and one that will not let go, are
		// the server's affair.
		if left := time.Now().Add(leaving); left.Before(deadline) {
			deadline = left
		}
		_ = (*c).SetDeadline(deadline)
		if err == nil {
			_ = client.CloseWithSMTPClient(smtp)
		}
		(*c).Close()
	}
	if err != nil {
		return w.refused(ctx, err)
	}
	return nil
}

func (w *Mail) options(dial mail.DialContextFunc, timeout time.Duration, ascii bool) []mail.Option {
	o := []mail.Option{
		mail.WithPort(w.c.Port), mail.WithTimeout(max(timeout, time.Millisecond)), mail.WithHELO(w.domain),
		mail.WithDialContextFunc(dial), mail.WithoutNoop(),
	}
	if ascii {
		// A mail that asks for SMTPUTF8 is sent back by a server on its way that has none
		// (RFC 6531 §3.2); only an address that cannot be written otherwise is worth that.
		o = append(o, mail.WithoutSMTPUTF8())
	}
	if w.c.Plain {
		o = append(o, mail.WithTLSPolicy(mail.NoTLS))
	} else {
		o = append(o, mail.WithTLSPolicy(mail.TLSMandatory),
			mail.WithTLSConfig(&tls.Config{ServerName: w.c.Host, RootCAs: w.c.CA, MinVersion: tls.VersionTLS12}))
	}
	if w.c.User == "" {
		return o
	}
	how := []mail.SMTPAuthType{mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1, mail.SMTPAuthPlain, mail.SMTPAuthLogin, mail.SMTPAuthCramMD5}
	if w.c.Plain { // the password itself is not sent in the clear, even to this machine
		how = []mail.SMTPAuthType{mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1, mail.SMTPAuthCramMD5}
	}
	return append(o, mail.WithOpportunisticSMTPAuth(how...), mail.WithUsername(w.c.User), mail.WithPassword(w.c.Password))
}

// failed says what is wrong before the message was spoken of: it is the connection or the
// configuration, never the message.
func (w *Mail) failed(ctx context.Context, err error) error {
	at := net.JoinHostPort(w.c.Host, fmt.Sprint(w.c.Port))
	var cert *tls.CertificateVerificationError
	var said *textproto.Error
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("the mail server %s said nothing in time (%w): %w", at, ctx.Err(), err)
	case errors.As(err, &cert):
		return fmt.Errorf("the mail server %s shows a certificate that is not trusted; name the authority that signed it in notify.mail.ca_file, or mend the clock: %w", at, err)
	case errors.As(err, &said) && said.Code/100 == 4:
		return &notify.Later{Err: fmt.Errorf("the mail server %s: %w", at, err)}
	case errors.As(err, &said) && (said.Code == 530 || said.Code == 534 || said.Code == 535): // RFC 4954 §6
		return fmt.Errorf("the mail server %s does not take the shed's name and password; see notify.mail.user and password_file: %w", at, err)
	case strings.Contains(err.Error(), "STARTTLS"):
		return fmt.Errorf("the mail server %s speaks no STARTTLS on that port; %d is the usual one that does: %w", at, 587, err)
	}
	return fmt.Errorf("the mail server %s: %w", at, err)
}

// refused says what became of the message. What the server says for good of the person's
// address or of the message is for good; what it says of the shed's own address is of the
// configuration, and may be mended while the message is still true.
func (w *Mail) refused(ctx context.Context, err error) error {
	var s *mail.SendError
	if !errors.As(err, &s) || s.ErrorCode() == 0 {
		if s != nil && s.Reason != mail.ErrSMTPDataClose {
			// A server takes a mail only once it has the dot that ends it (RFC 5321 §4.1.1.4).
			return fmt.Errorf("%w (%w)", w.failed(ctx, err), notify.ErrUnsent)
		}
		return w.failed(ctx, err)
	}
	err = fmt.Errorf("the mail server said: %w", said(err))
	switch {
	case s.ErrorCode()/100 == 4:
		return &notify.Later{Err: err}
	case s.ErrorCode()/100 == 5 && s.Reason == mail.ErrSMTPMailFrom:
		return fmt.Errorf("%w; see notify.mail.from (%w)", err, notify.ErrUnsent)
	case s.ErrorCode()/100 == 5:
		return fmt.Errorf("%w: %w", err, notify.ErrRefused)
	}
	return err
}

// said is what the server said itself, where it did.
func said(err error) error {
	var t *textproto.Error
	if errors.As(err, &t) {
		return t
	}
	return err
}

// compose writes the mail. Nothing in it but X-Attempt, and a line on a repeat, differs
// between attempts: its date is that of the notice, not of the attempt.
func (w *Mail) compose(m notify.Message) (*mail.Msg, error) {
	msg := mail.NewMsg(mail.WithCharset(mail.CharsetUTF8), mail.WithEncoding(mail.EncodingQP), mail.WithNoDefaultUserAgent())
	if err := msg.FromFormat(clean(w.c.Shed), w.c.From); err != nil {
		return nil, fmt.Errorf("from %s: %w", w.c.From, err)
	}
	if err := msg.AddToFormat(clean(m.To), m.Address); err != nil {
		return nil, fmt.Errorf("%q is no mail address: %w", m.Address, err)
	}
	msg.Subject(clean(m.Line))
	msg.SetDateWithValue(m.Notice.At.In(w.c.Zone))
	msg.SetMessageIDWithValue(token(m.ID) + "@" + w.domain)
	// Mail programs put what refers to the same under one head.
	thread := "<cause." + token(m.Tag) + "@" + w.domain + ">"
	msg.SetGenHeader(mail.HeaderReferences, thread)
	msg.SetGenHeader("X-Attempt", fmt.Sprint(m.Attempt))
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834 §5: nobody answers that they are away
	if m.Notice.Kind == notice.Alarm && m.Notice.Priority == alarm.High && m.Notice.Turn != notice.Over {
		msg.SetImportance(mail.ImportanceHigh)
	}
	msg.SetBodyString(mail.TypeTextPlain, w.text(m))
	return msg, nil
}

// token makes what may stand before the @ of a Message-ID (RFC 5322 §3.6.4, dot-atom-text)
// of anything.
func token(s string) string {
	sum := sha256.Sum256([]byte(s))
	plain := s != "" && len(s) <= 64 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") == ""
	if plain {
		return s
	}
	return base64.RawURLEncoding.EncodeToString(sum[:18])
}

func ascii(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return r > 0x7f }) < 0
}

// clean leaves no line break, by which a name could write headers of its own.
func clean(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "�"))), " ")
}
