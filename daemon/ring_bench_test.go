package main

import (
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/push"
	"ashlamp/rules/notice"
)

// rungEngines is how many engines the shed of the bench has: each rings once.
const rungEngines = 120

// BenchmarkRing measures how long it takes from a sample until the push service has the
// message that it proves: a firebox at 700 °C while the plugs are said to be out, published
// over MQTT at QoS 1 to the daemon as it is shipped. Beside it stands what a push alone
// takes in the same run.
func BenchmarkRing(b *testing.B) {
	for b.Loop() {
		ringOnce(b)
	}
}

func ringOnce(b *testing.B) {
	authority := notifytest.NewAuthority(b)
	service := notifytest.NewPushService(b, authority)
	pageAt, brokerAt := free(b), free(b)
	text := fmt.Sprintf("[shed]\nid = \"fernhollow\"\nname = \"Fernhollow shed\"\npeople = [%q]\n[http]\nlisten = %q\n[mqtt]\nlisten = %q\n", custodian, pageAt, brokerAt)
	engine := func(i int) string { return fmt.Sprint("engine-", i) }
	for i := range rungEngines {
		text += fmt.Sprintf("[[engine]]\nid = %q\nworking_pressure_bar = 10\nboiler_volume_l = 400\n[[engine.channel]]\nid = \"boiler.pressure\"\nrange = [\"-1 bar\", \"16 bar\"]\n[[engine.channel]]\nid = \"firebox\"\n", engine(i))
	}
	dir := b.TempDir()
	d := &ringer{t: b, file: filepath.Join(dir, "shed.toml"), page: pageAt, authority: authority.File(b), up: make(chan struct{})}
	if err := os.WriteFile(d.file, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	d.start()
	defer func() {
		_ = d.cmd.Process.Kill()
		_ = d.cmd.Wait()
	}()
	at := "/people/" + url.PathEscape(custodian) + "/alerts"
	var a message.Alerts
	d.call("GET", at, nil, &a)
	phone := service.Subscribe(a.PushKey)
	d.call("POST", at+"/browsers", message.AlertsBrowser{Name: "Phone", Endpoint: phone.Endpoint, P256dh: phone.P256dh, Auth: phone.Auth}, nil)
	d.call("PUT", at, message.AlertsPut{Choice: message.AlertsChoice{Kinds: []notice.Kind{notice.Alarm}, Pressure: "bar", Temperature: "C"}.Whole()}, nil)
	for i := range rungEngines {
		d.call("POST", "/engines/"+engine(i)+"/confirmations", message.Confirmation{Confirm: "plugs-removed", By: custodian}, nil)
	}

	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + brokerAt).SetClientID("bench"))
	if err := settled(b.Context(), c.Connect()); err != nil {
		b.Fatal(err)
	}
	defer c.Disconnect(0)
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	var took []time.Duration
	for i := range rungEngines {
		sent := time.Now()
		pack, err := json.Marshal([]map[string]any{{"n": "firebox", "u": "Cel", "v": 700, "t": json.Number(fmt.Sprintf("%.6f", float64(sent.UnixMicro())/1e6))}})
		if err != nil {
			b.Fatal(err)
		}
		c.Publish("sheds/fernhollow/engines/"+engine(i)+"/samples", 1, false, pack)
		for deadline := sent.Add(patience); len(took) <= i; <-tick.C {
			for _, p := range service.Received() {
				if strings.HasPrefix(p.Payload.Tag, engine(i)+"/") {
					took = append(took, p.At.Sub(sent))
					break
				}
			}
			if time.Now().After(deadline) {
				b.Fatalf("%s has not rung within %s", engine(i), patience)
			}
		}
	}

	keys, err := push.NewKeys()
	if err != nil {
		b.Fatal(err)
	}
	bare := service.Subscribe(keys.Public)
	way, err := push.New(push.Config{
		Subject: "mailto:custodian@fernhollow.example", Keys: keys, HTTP: posted.Client(authority.Pool()),
		Lookup: func(string) (push.Subscription, bool) {
			return push.Subscription{Endpoint: bare.Endpoint, P256dh: bare.P256dh, Auth: bare.Auth}, true
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	var alone []time.Duration
	for i := range rungEngines {
		m := notifytest.Message(i)
		m.Way = "push/" + bare.ID
		sent := time.Now()
		if err := notify.Way(way).Send(b.Context(), m); err != nil {
			b.Fatal(err)
		}
		alone = append(alone, time.Since(sent))
	}
	for _, m := range []struct {
		name string
		all  []time.Duration
	}{{"ring", took}, {"push-alone", alone}} {
		slices.Sort(m.all)
		b.ReportMetric(float64(m.all[len(m.all)/2].Microseconds())/1000, m.name+"-p50-ms")
		b.ReportMetric(float64(m.all[len(m.all)*99/100].Microseconds())/1000, m.name+"-p99-ms")
	}
	b.ReportMetric(0, "ns/op") // it is not one operation that is measured
}
