package app

import (
	"cmp"
	"context"
	"crypto/ecdh"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	mathrand "math/rand/v2"
	"net/url"
	"strings"

	"ashlamp/daemon/outbox"
	"ashlamp/dashboard/api"
	"ashlamp/dashboard/notify"
	"ashlamp/ingest/store"
)

// pushKey is the key of the state under which the daemon keeps by what push services know
// it. Browsers are subscribed with it: a new one would be another sender.
const pushKey = "notify/push/keys"

// pushKeys are the application server's keys (RFC 8292 §2), base64url without padding:
// the scalar, and the uncompressed point.
type pushKeys struct {
	Private string `json:"private"`
	Public  string `json:"public"`
}

// keysOf returns the keys that are kept, making them on the first run.
func keysOf(ctx context.Context, s *store.Store) (k pushKeys, err error) {
	err = s.Update(ctx, func(t *store.Tx) error {
		b, ok, err := t.Get(pushKey)
		if err != nil {
			return err
		}
		if ok {
			return json.Unmarshal(b, &k)
		}
		private, err := ecdh.P256().GenerateKey(rand.Reader)
		if err != nil {
			return err
		}
		k.Private = base64.RawURLEncoding.EncodeToString(private.Bytes())
		k.Public = base64.RawURLEncoding.EncodeToString(private.PublicKey().Bytes())
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
	ways, why, err := a.ways(keys)
	if err != nil {
		return err
	}
	a.office, err = notify.New(ctx, notify.Config{
		Outbox: outbox.Outbox{Store: a.store}, Shed: c.Shed.Name, Zone: c.Shed.Zone, People: c.Shed.People,
		Ways: ways, Why: why, PushKey: keys.Public, Escalate: cmp.Or(c.Notify.Escalate, notify.DefaultEscalate),
		Clock: a.o.Clock, Random: mathrand.Float64, Log: a.o.Log,
	})
	if err != nil {
		return err
	}
	a.rung = a.office.Wake
	return nil
}

// ways are the ways out that the configuration gives, and why the others are not open.
func (a *App) ways(keys pushKeys) (map[string]notify.Way, map[string]string, error) {
	ways := map[string]notify.Way{}
	why := map[string]string{
		"mail":    "The shed has no mail server; name one under [notify.mail] in its configuration.",
		"webhook": "The shed has no webhook; name one under [notify.webhook] in its configuration.",
	}
	return ways, why, nil
}

// ring adds the calls of what rings, under the page's public name too where it has one.
func (a *App) ring(calls *api.API) {
	var names []string
	if u, err := url.Parse(a.o.Config.Notify.Page); err == nil && u.Hostname() != "" {
		names = append(names, strings.ToLower(u.Hostname()))
	}
	calls.Ring(a.office, names...)
}
