package notifytest

import (
	"fmt"
	"net/smtp"
	"testing"
)

// TestAMailServerIsKilledWithAllThatItDoes: it takes many, is killed over them, and sends
// on what it took once it is started again.
func TestAMailServerIsKilledWithAllThatItDoes(t *testing.T) {
	m := NewMailServer(t, NewAuthority(t), MailOptions{NoTLS: true, NoAuth: true})
	const n = 20
	at := fmt.Sprintf("127.0.0.1:%d", m.Port)
	for i := range n {
		err := smtp.SendMail(at, nil, "shed@fernhollow.example", []string{"elsie@fernhollow.example"}, fmt.Appendf(nil, "Subject: %d\r\n\r\nx\r\n", i))
		if err != nil {
			t.Fatal(err)
		}
	}
	m.Kill()
	if left := m.processes(); len(left) != 0 {
		t.Errorf("processes %v go on after it was killed", left)
	}
	if err := smtp.SendMail(at, nil, "shed@fernhollow.example", []string{"elsie@fernhollow.example"}, []byte("\r\n")); err == nil {
		t.Error("it takes mail after it was killed")
	}
	m.Start()
	seen := map[string]bool{}
	for _, got := range m.Await(n) {
		seen[got.Header.Get("Subject")] = true
	}
	if len(seen) != n {
		t.Errorf("%d of %d mails were kept", len(seen), n)
	}
}
