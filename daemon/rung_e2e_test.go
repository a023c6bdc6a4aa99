package main

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/daemon/config"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// TestASampleRingsUntilSomebodyAnswers: a firebox at 700 °C while the plugs are said to be
// out rings the custodian's phone and mailbox; the fitter's turn is to come, and does not
// once the custodian acknowledges, which the phone then shows.
func TestASampleRingsUntilSomebodyAnswers(t *testing.T) {
	authority := notifytest.NewAuthority(t)
	secret := []byte("thirty-two bytes of the test's.")
	service := notifytest.NewPushService(t, authority)
	receiver := notifytest.NewReceiver(t, authority, secret, nil)
	server := notifytest.NewMailServer(t, authority, notifytest.MailOptions{})
	ca := authority.File(t)
	d := &ringer{t: t, page: free(t), authority: ca, up: make(chan struct{})}
	d.file = ringingFile(t, d.page, ca, fmt.Sprintf("127.0.0.1:%d", server.Port), strings.TrimPrefix(receiver.URL(), "https://"), secret, server.User, server.Password)
	kept, err := config.Read(d.file)
	if err != nil {
		t.Fatal(err)
	}
	d.start()
	t.Cleanup(func() {
		_ = d.cmd.Process.Kill()
		_ = d.cmd.Wait()
	})
	at := func(person string) string { return "/people/" + url.PathEscape(person) + "/alerts" }
	var a message.Alerts
	d.call("GET", at(custodian), nil, &a)
	phone := service.Subscribe(a.PushKey)
	d.call("POST", at(custodian)+"/browsers", message.AlertsBrowser{Name: "Phone", Endpoint: phone.Endpoint, P256dh: phone.P256dh, Auth: phone.Auth}, nil)
	c := message.AlertsChoice{Kinds: []notice.Kind{notice.Alarm}, Lowest: alarm.Low, Pressure: "bar", Temperature: "C", Mail: "penhalow@fernhollow.example"}
	d.call("PUT", at(custodian), message.AlertsPut{Choice: c.Whole()}, nil)
	c.Mail, c.Webhook, c.After = "", true, 1
	d.call("PUT", at(fitter), message.AlertsPut{Choice: c.Whole()}, nil)

	d.call("POST", "/engines/quillet/confirmations", message.Confirmation{Confirm: "plugs-removed", By: custodian}, nil)
	link := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + kept.Broker.Listen).SetClientID("firebox"))
	if err := settled(t.Context(), link.Connect()); err != nil {
		t.Fatal(err)
	}
	defer link.Disconnect(0)
	pack, err := json.Marshal([]map[string]any{{"n": "firebox", "u": "Cel", "v": 700, "t": json.Number(fmt.Sprintf("%.6f", float64(time.Now().UnixMicro())/1e6))}})
	if err != nil {
		t.Fatal(err)
	}
	if err := settled(t.Context(), link.Publish("sheds/fernhollow/engines/quillet/samples", 1, false, pack)); err != nil {
		t.Fatal(err)
	}
	await := func(what string, so func() bool) {
		t.Helper()
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for deadline := time.Now().Add(patience); !so(); <-tick.C {
			if time.Now().After(deadline) {
				t.Fatalf("within %s not: %s", patience, what)
			}
		}
	}
	shown := func(turn string) (p notifytest.Pushed, ok bool) {
		for _, p := range service.Received() {
			if p.Payload.Turn == turn && strings.HasPrefix(p.Payload.Tag, "quillet/alarm/lit-open/") {
				return p, true
			}
		}
		return p, false
	}
	await("the phone rings", func() bool { _, ok := shown("began"); return ok })
	p, _ := shown("began")
	if !strings.HasPrefix(p.Payload.Line, "quillet: urgent, fire with the plugs out.") || p.Payload.Place != "#/pit?engine=quillet" || p.Urgency != "high" || p.TTL < 3600 {
		t.Errorf("the phone shows %+v", p)
	}
	if m := server.Await(1)[0]; !strings.Contains(m.Header.Get("Subject"), "fire with the plugs out") || m.To != "penhalow@fernhollow.example" {
		t.Errorf("mail to %s: %v", m.To, m.Header)
	}
	letter := func(person, way string) message.AlertsLetter {
		t.Helper()
		var a message.Alerts
		d.call("GET", at(person), nil, &a)
		for _, l := range a.Letters {
			if strings.HasPrefix(l.Way, way) {
				return l
			}
		}
		return message.AlertsLetter{}
	}
	if l := letter(fitter, "webhook"); l.State != "waiting" || l.Next == nil || time.Until(*l.Next) > 5*time.Minute || time.Until(*l.Next) < 3*time.Minute {
		t.Errorf("the fitter's turn: %+v, want it in five minutes", l)
	}

	d.call("POST", "/alarms/quillet.lit-open/acknowledge", message.Acknowledgement{By: custodian}, nil)
	await("the phone shows who knows of it", func() bool { p, ok := shown("seen"); return ok && strings.Contains(p.Payload.Line, custodian) })
	if q, _ := shown("seen"); q.Payload.Tag != p.Payload.Tag || q.Topic != p.Topic || q.Payload.N != p.Payload.N+1 {
		t.Errorf("it is shown beside the first, not in its place: %+v, %+v", p, q)
	}
	await("the fitter is no longer to be rung", func() bool { return letter(fitter, "webhook").State == "over" })
	if got := receiver.Received(); len(got) != 0 {
		t.Errorf("the webhook was told all the same: %s", got[0].Body)
	}
	if l := letter(custodian, "mail"); l.State != "taken" || l.Attempts != 1 || l.Taken == nil {
		t.Errorf("the custodian's mail: %+v", l)
	}
	d.stop()
}
