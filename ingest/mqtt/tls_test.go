package mqtt_test

import (
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"

	"ashlamp/ingest"
	"ashlamp/ingest/broker"
	"ashlamp/ingest/door/doortest"
	"ashlamp/ingest/mqtt"
)

func TestTLS(t *testing.T) {
	// The certificate of the standard library's test server is for 127.0.0.1.
	certificate := httptest.NewUnstartedServer(nil)
	certificate.StartTLS()
	defer certificate.Close()
	far := doortest.NewRig(t)
	b, err := broker.New(broker.Config{
		Address: "127.0.0.1:0", Door: far.Door, Log: slog.New(slog.DiscardHandler),
		TLS: &tls.Config{Certificates: certificate.TLS.Certificates}, Users: map[string]string{"ashlamp": "coal"},
	})
	if err != nil {
		t.Fatal(err)
	}
	doortest.Background(t, b.Run)
	r := doortest.NewRig(t)
	roots := x509.NewCertPool()
	roots.AddCert(certificate.Certificate())
	url := "mqtts://" + b.Addr().String()
	_, stop := open(t, r.Door, url, func(c *mqtt.Config) { c.User, c.Password = "ashlamp", "coal" })
	doortest.Until(t, "an unknown certificate to be refused", func() bool { return r.Gate.Counters().Trouble(ingest.NoBroker) > 0 })
	if log := strings.Join(r.Log(), "\n"); !strings.Contains(log, "certificate") {
		t.Errorf("got %s, want that the certificate is not trusted", log)
	}
	stop()
	m, _ := open(t, r.Door, url, func(c *mqtt.Config) {
		c.User, c.Password, c.TLS = "ashlamp", "coal", &tls.Config{RootCAs: roots}
	})
	doortest.Until(t, "the connection", func() bool { return m.Publish("a", nil, false) == nil })
}
