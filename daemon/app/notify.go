package app

import (
	"cmp"
	"context"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/url"
	"strings"

	"ashlamp/daemon/config"
	"ashlamp/daemon/outbox"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/heartbeat"
	"ashlamp/dashboard/notify/mail"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/push"
	"ashlamp/dashboard/notify/webhook"
	"ashlamp/ingest/store"
	"ashlamp/rules/notice"
)

// pushKey is the key of the state under which the daemon keeps by what push services know
// it. Browsers are subscribed with it: a new one would be another sender.
const pushKey = "notify/push/keys"

// keysOf returns the keys that are kept, making them on the first run. Those that cannot
// be read are none: no browser is then rung, and the page says so.
func keysOf(ctx context.Context, s *store.Store) (k push.Keys, err error) {
	err = s.Update(ctx, func(t *store.Tx) error {
		b, ok, err := t.Get(pushKey)
		if err != nil {
			return err
		}
		if ok {
			if json.Unmarshal(b, &k) != nil {
				k = push.Keys{}
			}
			return nil
		}
		if k, err = push.NewKeys(); err != nil {
			return err
		}
		if b, err = json.Marshal(k); err != nil {
			return err
		}
		return t.Put(pushKey, b)
	})
	if err != nil {
		return k, fmt.Errorf("the keys by which push services know this daemon: %w", err)
	}
	return k, nil
}

// makeOffice puts together who tells people. Without any configuration browsers can be
// rung, and what people choose is kept.
func (a *App) makeOffice(ctx context.Context) error {
	c := a.o.Config
	keys, err := keysOf(ctx, a.store)
	if err != nil {
		return err
	}
	ways, why := a.ways(keys)
	a.office, err = notify.New(ctx, notify.Config{
		Outbox: outbox.Outbox{Store: a.store}, Shed: c.Shed.Name, Zone: c.Shed.Zone, People: c.Shed.People,
		Ways: ways, Why: why, PushKey: keys.Public, Escalate: cmp.Or(c.Notify.Escalate, notify.DefaultEscalate),
		Current: a.current, Watcher: a.watcher, Clock: a.o.Clock, Random: rand.Float64, Log: a.o.Log,
	})
	if err != nil {
		return err
	}
	a.rung = a.office.Wake
	a.makeHeartbeat()
	return nil
}

// current reports whether an engine is judged up to now; one that is not configured is not.
func (a *App) current(engine string) bool {
	l, ok := a.loops[engine]
	return ok && l.Current(silentAfter)
}

// Tell keeps notices of who judges something outside of the loops, all or none of them,
// and lets people be told. One that is kept already is left as it is.
func (a *App) Tell(ctx context.Context, ns ...notice.Notice) error {
	err := a.store.Update(ctx, func(t *store.Tx) error {
		for _, n := range ns {
			if err := t.PutNotice(n); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		a.noticed()
	}
	return err
}

// subject is whom a push service may ask. Where the configuration names nobody it is who
// the mails are from, or the page; a name that is none where there is neither, since a
// service may refuse what has no subject at all.
func subject(c config.Config) string {
	switch {
	case c.Notify.Subject != "":
		return c.Notify.Subject
	case c.Notify.Mail.From != "":
		return "mailto:" + c.Notify.Mail.From
	case strings.HasPrefix(c.Notify.Page, "https://"):
		return c.Notify.Page
	}
	return "mailto:ashlamp@" + c.Shed.ID + ".invalid" // RFC 2606 §2
}

// ways are the ways out that the configuration gives, and why the others are not open. One
// that cannot be made, for example because a password cannot be read, keeps no engine from
// being judged: the page says what is wrong with it.
func (a *App) ways(keys push.Keys) (map[string]notify.Way, map[string]string) {
	c := a.o.Config
	ways := map[string]notify.Way{}
	why := map[string]string{
		"mail":    "The shed has no mail server; name one under [notify.mail] in its configuration.",
		"webhook": "The shed has no webhook; name one under [notify.webhook] in its configuration.",
	}
	add := func(name string, way notify.Way, err error) {
		if err != nil {
			a.o.Log.Error("a way out is not open", "way", name, "error", err)
			why[name] = "It is set up, but cannot be used: " + err.Error() + "."
			return
		}
		ways[name] = way
	}
	p, err := push.New(push.Config{
		Subject: subject(c), Keys: keys, Now: a.o.Clock.Now,
		Lookup: func(id string) (push.Subscription, bool) {
			b, ok := a.office.Browser(id)
			return push.Subscription{Endpoint: b.Endpoint, P256dh: b.P256dh, Auth: b.Auth}, ok
		},
	})
	add("push", p, err)
	if c.Notify.Mail.Host != "" {
		m, err := mailOf(c)
		add("mail", m, err)
	}
	if c.Notify.Webhook.URL != "" {
		w, err := webhookOf(c)
		add("webhook", w, err)
	}
	return ways, why
}

func mailOf(c config.Config) (*mail.Mail, error) {
	m := c.Notify.Mail
	password, err := secret(m.PasswordFile)
	if err != nil {
		return nil, err
	}
	pool, err := authorities(m.CAFile)
	if err != nil {
		return nil, err
	}
	return mail.New(mail.Config{
		Host: m.Host, Port: m.Port, User: m.User, Password: password, From: m.From, CA: pool, Plain: !m.StartTLS,
		Shed: c.Shed.Name, Zone: c.Shed.Zone, Page: c.Notify.Page,
	})
}

func webhookOf(c config.Config) (*webhook.Webhook, error) {
	w := c.Notify.Webhook
	key, err := signs(w.SecretFile)
	if err != nil {
		return nil, err
	}
	pool, err := authorities(w.CAFile)
	if err != nil {
		return nil, err
	}
	return webhook.New(webhook.Config{URL: w.URL, Secret: key, Shed: c.Shed.ID, Page: c.Notify.Page, HTTP: posted.Client(pool)})
}

// signs returns the secret of a file; nil where none is named.
func signs(file string) ([]byte, error) {
	if file == "" {
		return nil, nil
	}
	text, err := secret(file)
	if err != nil {
		return nil, err
	}
	return webhook.ParseSecret(text)
}

func authorities(file string) (*x509.CertPool, error) {
	t, err := trust(file)
	if err != nil || t == nil {
		return nil, err
	}
	return t.RootCAs, nil
}

// makeHeartbeat puts together what tells a watcher outside that the engines are judged.
func (a *App) makeHeartbeat() {
	h := a.o.Config.Notify.Heartbeat
	if h.URL == "" {
		return
	}
	b, err := heartbeatOf(h, a)
	if err != nil {
		// It keeps no engine from being judged, and the watcher notices by itself.
		a.o.Log.Error("no watcher outside is told that the engines are judged", "error", err)
		a.unwatched = err
		return
	}
	a.heartbeat = b
}

// watcher is how the watcher outside does, for the page; nil where none is configured.
func (a *App) watcher() *message.AlertsWatcher {
	switch {
	case a.unwatched != nil:
		return &message.AlertsWatcher{Trouble: fmt.Sprintf("It is set up, but cannot be told: %v.", a.unwatched)}
	case a.heartbeat == nil:
		return nil
	}
	s := a.heartbeat.Standing()
	w := &message.AlertsWatcher{Trouble: s.Trouble}
	if !s.Taken.IsZero() {
		w.Taken = &s.Taken
	}
	if !s.Failed.IsZero() {
		w.Failed = &s.Failed
	}
	return w
}

func heartbeatOf(h config.Heartbeat, a *App) (*heartbeat.Heartbeat, error) {
	key, err := signs(h.SecretFile)
	if err != nil {
		return nil, err
	}
	pool, err := authorities(h.CAFile)
	if err != nil {
		return nil, err
	}
	return heartbeat.New(heartbeat.Config{
		URL: h.URL, Secret: key, Every: h.Every, Shed: a.o.Config.Shed.ID, HTTP: posted.Client(pool),
		Judging: a.judging, Clock: a.o.Clock, Log: a.o.Log,
	})
}

// ring adds the calls of what rings, under the page's public name too where it has one.
func (a *App) ring(calls *api.API) {
	var names []string
	if u, err := url.Parse(a.o.Config.Notify.Page); err == nil && u.Hostname() != "" {
		names = append(names, strings.ToLower(u.Hostname()))
	}
	calls.Ring(a.office, names...)
}
