package config

import (
	"net"
	"net/mail"
	"net/url"
	"strings"
	"time"

	"ashlamp/dashboard/notify"
)

// DefaultMailPort is where a mail server takes mail from those who belong to it
// (RFC 6409 §3.1).
const DefaultMailPort = 587

// DefaultHeartbeat is the time between heartbeats: a watcher outside that waits for two
// knows within three minutes. Common practice, no source.
const DefaultHeartbeat = time.Minute

// Bounds of what may be set; common practice, no source.
const (
	maxEscalate  = 24 * time.Hour
	minHeartbeat = 10 * time.Second
	maxHeartbeat = time.Hour
)

// Notify is by what people are rung. A part of it that is not set up is the zero value,
// and known by its first field.
type Notify struct {
	// Escalate is after how long without an answer the next person is rung.
	Escalate time.Duration
	// Page is the address under which the page is opened by those who are rung, as
	// "https://shed.fernhollow.example"; empty where none is given.
	Page string
	// Subject is whom a push service may write to (RFC 8292 §2.1), "mailto:…" or
	// "https://…"; empty where nobody is named.
	Subject   string
	Mail      Mail
	Webhook   Webhook
	Heartbeat Heartbeat
}

// Mail is the mail server. Without STARTTLS it is this machine's own.
type Mail struct {
	Host               string
	Port               int
	User, PasswordFile string
	From               string
	CAFile             string
	StartTLS           bool
}

// Webhook is where the shed's messages are posted, signed with what the file holds.
type Webhook struct{ URL, SecretFile, CAFile string }

// Heartbeat is a watcher outside that is told in intervals that the engines are judged.
type Heartbeat struct {
	URL        string
	Every      time.Duration
	SecretFile string
	CAFile     string
}

type fileNotify struct {
	EscalateMin *float64       `toml:"escalate_min"`
	Page        string         `toml:"page"`
	Push        *filePush      `toml:"push"`
	Mail        *fileMail      `toml:"mail"`
	Webhook     *fileWebhook   `toml:"webhook"`
	Heartbeat   *fileHeartbeat `toml:"heartbeat"`
}

type filePush struct {
	Subject string `toml:"subject"`
}

type fileMail struct {
	Host         string `toml:"host"`
	Port         *int   `toml:"port"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	From         string `toml:"from"`
	CAFile       string `toml:"ca_file"`
	StartTLS     *bool  `toml:"starttls"`
}

type fileWebhook struct {
	URL        string `toml:"url"`
	SecretFile string `toml:"secret_file"`
	CAFile     string `toml:"ca_file"`
}

type fileHeartbeat struct {
	URL        string   `toml:"url"`
	EveryS     *float64 `toml:"every_s"`
	SecretFile string   `toml:"secret_file"`
	CAFile     string   `toml:"ca_file"`
}

func (r *reader) notify(f *fileNotify) Notify {
	n := Notify{Escalate: notify.DefaultEscalate}
	if f == nil {
		return n
	}
	if f.EscalateMin != nil {
		n.Escalate = r.span("notify.escalate_min", *f.EscalateMin, time.Minute, time.Minute, maxEscalate,
			"after how many minutes without an answer the next person is rung")
	}
	n.Page = strings.TrimRight(f.Page, "/")
	if u, err := url.Parse(n.Page); n.Page != "" && (err != nil || !web(u) || u.Path != "" || u.RawQuery != "" || u.Fragment != "") {
		r.fault("notify.page", "notify.page = %q is not the address of the page; write where phones open it, as \"https://shed.fernhollow.example\"", f.Page)
	}
	if f.Push != nil {
		n.Subject = f.Push.Subject
		if !contact(n.Subject) {
			r.fault("notify.push.subject", "notify.push.subject = %q names nobody; write whom a push service may ask, as \"mailto:custodian@fernhollow.example\"", n.Subject)
		}
	}
	if f.Mail != nil {
		n.Mail = r.mail(*f.Mail)
	}
	if f.Webhook != nil {
		n.Webhook = Webhook(*f.Webhook)
		r.posts("notify.webhook", f.Webhook.URL)
		if f.Webhook.SecretFile == "" {
			r.fault("notify.webhook.secret_file", "notify.webhook.secret_file is missing; name the file with the secret by which the receiver knows that a message is the shed's")
		}
	}
	if f.Heartbeat != nil {
		n.Heartbeat = Heartbeat{URL: f.Heartbeat.URL, Every: DefaultHeartbeat, SecretFile: f.Heartbeat.SecretFile, CAFile: f.Heartbeat.CAFile}
		r.posts("notify.heartbeat", f.Heartbeat.URL)
		if f.Heartbeat.EveryS != nil {
			n.Heartbeat.Every = r.span("notify.heartbeat.every_s", *f.Heartbeat.EveryS, time.Second, minHeartbeat, maxHeartbeat, "how many seconds lie between two heartbeats")
		}
	}
	return n
}

// span reads a number of units between two bounds.
func (r *reader) span(key string, v float64, unit, low, high time.Duration, what string) time.Duration {
	if !(v >= float64(low)/float64(unit) && v <= float64(high)/float64(unit)) { // also true for NaN
		r.fault(key, "%s = %g is outside %g to %g; say %s", key, v, float64(low)/float64(unit), float64(high)/float64(unit), what)
		return low
	}
	return time.Duration(v * float64(unit))
}

func (r *reader) posts(key, address string) {
	if u, err := url.Parse(address); err != nil || !web(u) || u.User != nil {
		r.fault(key+".url", "%s.url = %q is no address to post to; write one as \"https://gateway.example/ashlamp\", without a password in it", key, address)
	}
}

func web(u *url.URL) bool { return (u.Scheme == "https" || u.Scheme == "http") && u.Host != "" }

// contact reports whether it is a URI that RFC 8292 §2.1 takes for a subject.
func contact(s string) bool {
	if address, ok := strings.CutPrefix(s, "mailto:"); ok {
		m, err := mail.ParseAddress(address)
		return err == nil && m.Address == address
	}
	u, err := url.Parse(s)
	return err == nil && u.Scheme == "https" && u.Host != ""
}

func (r *reader) mail(f fileMail) Mail {
	m := Mail{Host: f.Host, Port: DefaultMailPort, User: f.User, PasswordFile: f.PasswordFile, From: f.From, CAFile: f.CAFile, StartTLS: true}
	if m.Host == "" || strings.ContainsAny(m.Host, "/ ") {
		r.fault("notify.mail.host", "notify.mail.host = %q is no mail server; name one as \"mail.fernhollow.example\"", m.Host)
	}
	if f.Port != nil {
		m.Port = *f.Port
	}
	if m.Port < 1 || m.Port > 65535 {
		r.fault("notify.mail.port", "notify.mail.port = %d is outside 1 to 65535; leave it out for %d", m.Port, DefaultMailPort)
	}
	if a, err := mail.ParseAddress(m.From); err != nil || a.Address != m.From {
		r.fault("notify.mail.from", "notify.mail.from = %q is not one address; write whom the mails are from, as \"shed@fernhollow.example\"", m.From)
	}
	if (m.User == "") != (m.PasswordFile == "") {
		r.fault("notify.mail", "notify.mail.user and notify.mail.password_file belong together; give both, or neither where the server asks for none")
	}
	if f.StartTLS != nil {
		m.StartTLS = *f.StartTLS
	}
	if ip := net.ParseIP(m.Host); !m.StartTLS && m.Host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		r.fault("notify.mail.starttls", "notify.mail.starttls = false is for a server on this machine only, and %q is none; use a server that speaks STARTTLS", m.Host)
	}
	return m
}
