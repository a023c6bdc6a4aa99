package config

import (
	"strings"
	"testing"
	"time"

	example "ashlamp/testdata/config"
)

const rung = `[shed]
id = "pit"
people = ["R. Penhalow"]
[[engine]]
id = "quillet"
working_pressure_bar = 10
boiler_volume_l = 400
[[engine.channel]]
id = "boiler.pressure"
range = ["0 bar", "16 bar"]
uncertainty = "0.06 bar"
[notify]
escalate_min = 7.5
page = "https://shed.fernhollow.example/"
[notify.push]
subject = "mailto:custodian@fernhollow.example"
[notify.mail]
host = "mail.fernhollow.example"
user = "shed"
password_file = "/etc/ashlamp/mail"
from = "shed@fernhollow.example"
[notify.webhook]
url = "http://10.0.0.7:8090/sms"
secret_file = "/etc/ashlamp/secret"
[notify.heartbeat]
url = "https://watch.example/pit"
every_s = 30
`

func TestByWhatPeopleAreRung(t *testing.T) {
	c, err := Parse("shed.toml", []byte(rung))
	if err != nil {
		t.Fatal(err)
	}
	want := Notify{
		Escalate: 7*time.Minute + 30*time.Second, Page: "https://shed.fernhollow.example", Subject: "mailto:custodian@fernhollow.example",
		Mail:      Mail{Host: "mail.fernhollow.example", Port: 587, User: "shed", PasswordFile: "/etc/ashlamp/mail", From: "shed@fernhollow.example", StartTLS: true},
		Webhook:   Webhook{URL: "http://10.0.0.7:8090/sms", SecretFile: "/etc/ashlamp/secret"},
		Heartbeat: Heartbeat{URL: "https://watch.example/pit", Every: 30 * time.Second},
	}
	if c.Notify != want {
		t.Errorf("got  %+v\nwant %+v", c.Notify, want)
	}
	c, err = Parse("shed.toml", []byte(rung[:strings.Index(rung, "[notify]")]))
	if err != nil || c.Notify != (Notify{Escalate: 5 * time.Minute}) {
		t.Errorf("without: %+v, %v", c.Notify, err)
	}
	for _, host := range []string{"127.0.0.1", "::1", "localhost"} {
		c, err = Parse("shed.toml", []byte(strings.Replace(rung, `host = "mail.fernhollow.example"`, `host = "`+host+"\"\nstarttls = false\nport = 25", 1)))
		if err != nil || c.Notify.Mail.StartTLS || c.Notify.Mail.Port != 25 {
			t.Errorf("a server on this machine: %+v, %v", c.Notify.Mail, err)
		}
	}
}

func TestWhatCannotRing(t *testing.T) {
	for _, tt := range []struct{ name, from, to, want string }{
		{"a word too much", "escalate_min = 7.5", "escalate_s = 7", `"notify.escalate_s" is not known`},
		{"at once", "7.5", "0", "notify.escalate_min = 0 is outside 1 to 1440"},
		{"never", "7.5", "nan", "notify.escalate_min = NaN is outside"},
		{"no address", "https://shed.fernhollow.example/", "shed.fernhollow.example", "is not the address of the page"},
		{"a place in the page", "https://shed.fernhollow.example/", "https://shed.fernhollow.example/#/pit", "is not the address of the page"},
		{"nobody to ask", "mailto:custodian@fernhollow.example", "custodian", "names nobody"},
		{"no server", `host = "mail.fernhollow.example"`, "", `notify.mail.host = "" is no mail server`},
		{"a name for an address", "from = \"shed@", "from = \"Shed <shed@", "is not one address"},
		{"a user without a password", `password_file = "/etc/ashlamp/mail"`, "", "belong together"},
		{"a port that is none", `user = "shed"`, "user = \"shed\"\nport = 70000", "outside 1 to 65535"},
		{"a server elsewhere without TLS", `user = "shed"`, "user = \"shed\"\nstarttls = false", "for a server on this machine only"},
		{"nowhere", `url = "http://10.0.0.7:8090/sms"`, `url = "ftp://10.0.0.7/"`, "notify.webhook.url"},
		{"a password in the address", "http://10.0.0.7:8090/sms", "http://a:b@10.0.0.7/sms", "without a password in it"},
		{"unsigned", `secret_file = "/etc/ashlamp/secret"`, "", "notify.webhook.secret_file is missing"},
		{"all the time", "every_s = 30", "every_s = 1", "outside 10 to 3600"},
	} {
		_, err := Parse("shed.toml", []byte(strings.Replace(rung, tt.from, tt.to, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "shed.toml:") {
			t.Errorf("%s: %v, want %q with its line", tt.name, err, tt.want)
		}
	}
}

// What the example tells in comments is right once they are taken away.
func TestTheExampleRings(t *testing.T) {
	text := string(example.Fernhollow)
	i := strings.Index(text, "# [notify]")
	j := i + strings.Index(text[i:], "\n\n")
	var told []string
	for _, l := range strings.Split(text[i:j], "\n") {
		if l = strings.TrimPrefix(l, "# "); !strings.HasPrefix(l, "starttls") {
			told = append(told, l)
		}
	}
	c, err := Parse("fernhollow.toml", []byte(text[:i]+strings.Join(told, "\n")+text[j:]))
	if err != nil || c.Notify.Mail.Host == "" || c.Notify.Webhook.URL == "" || c.Notify.Heartbeat.URL == "" || c.Notify.Subject == "" {
		t.Errorf("%+v\n%v", c.Notify, err)
	}
}
