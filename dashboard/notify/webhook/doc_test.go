package webhook_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/notify/posted"
	"ashlamp/dashboard/notify/webhook"
)

var update = flag.Bool("update", false, "write the example in RECEIVER.md anew")

const receiver = "RECEIVER.md"

// TestTheExampleForReceiversIsWhatIsSent keeps the example by which a receiver is written
// as it is sent, signature and all.
func TestTheExampleForReceiversIsWhatIsSent(t *testing.T) {
	b, err := os.ReadFile(receiver)
	if err != nil {
		t.Fatal(err)
	}
	doc := string(b)
	key := regexp.MustCompile(`whsec_[A-Za-z0-9+/=]+`).FindString(doc)
	secret, err := webhook.ParseSecret(key)
	if err != nil {
		t.Fatalf("the secret of the example: %v", err)
	}
	now := time.Date(2031, 5, 4, 17, 2, 4, 0, time.UTC)
	ca := notifytest.NewAuthority(t)
	r := notifytest.NewReceiver(t, ca, secret, func() time.Time { return now })
	w, err := webhook.New(webhook.Config{
		URL: r.URL(), Secret: secret, Shed: "fernhollow", Page: "https://shed.fernhollow.example",
		HTTP: posted.Client(ca.Pool()), Now: func() time.Time { return now },
	})
	if err != nil {
		t.Fatal(err)
	}
	m := notifytest.Message(1)
	m.ID, m.Tag, m.Notice.Cause = "a7Zk3vQ0cXw1mRt9uYb2hLpS", "quillet/cool-enough/house/20310504t170200z", "quillet/cool-enough/house/20310504t170200z"
	m.Line = "Quillet is cool enough to push into the shed. Confirm first: handbrake on, wheels scotched"
	m.Until = time.Date(2031, 5, 4, 23, 2, 0, 0, time.UTC)
	if err := w.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	e := r.Received()[0]
	var pretty bytes.Buffer
	if err := json.Indent(&pretty, e.Body, "", "  "); err != nil {
		t.Fatal(err)
	}
	const begin, end = "<!-- made -->\n", "<!-- end -->"
	made := fmt.Sprintf("```http\nPOST /ashlamp HTTP/1.1\nContent-Type: %s\nwebhook-id: %s\nwebhook-timestamp: %s\nwebhook-signature: %s\n\n%s\n```\n\nThe same body with line breaks:\n\n```json\n%s\n```\n",
		e.Header.Get("Content-Type"), e.Header.Get("Webhook-Id"), e.Header.Get("Webhook-Timestamp"), e.Header.Get("Webhook-Signature"), e.Body, &pretty)
	head, rest, ok := strings.Cut(doc, begin)
	old, tail, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatalf("%s has no place for the example", receiver)
	}
	if *update {
		if err := os.WriteFile(receiver, []byte(head+begin+made+end+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if old != made {
		t.Errorf("the example in %s is no longer what is sent; write it anew with go test ./dashboard/notify/webhook -run Example -update, and look at what changed", receiver)
	}
}
