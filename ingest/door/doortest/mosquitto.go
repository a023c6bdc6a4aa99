package doortest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// mosquittoPath is where Debian's package puts the broker.
const mosquittoPath = "/usr/sbin/mosquitto"

// Mosquitto is a real broker on a free loopback port, whose sessions and kept
// messages outlive it.
type Mosquitto struct {
	t       testing.TB
	dir     string
	address string
	command *exec.Cmd
}

// StartMosquitto starts Debian's mosquitto; it ends with the test. more are lines for
// its configuration in place of the usual: anyone may connect, all is saved at once.
func StartMosquitto(t testing.TB, more string) *Mosquitto {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &Mosquitto{t: t, dir: t.TempDir(), address: l.Addr().String()}
	_ = l.Close()
	_, port, _ := net.SplitHostPort(m.address)
	if more == "" {
		more = "allow_anonymous true\npersistence true\npersistence_location " + m.dir + "/\nautosave_on_changes true\nautosave_interval 1"
	}
	config := fmt.Sprintf("listener %s 127.0.0.1\nuser root\nset_tcp_nodelay true\n%s\n", port, more)
	if err := os.WriteFile(filepath.Join(m.dir, "mosquitto.conf"), []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	m.Start()
	t.Cleanup(m.Kill)
	return m
}

// URL is where clients connect.
func (m *Mosquitto) URL() string { return "mqtt://" + m.address }

// Start starts it, again after [Mosquitto.Kill], and waits until it answers.
func (m *Mosquitto) Start() {
	m.t.Helper()
	m.command = exec.Command(mosquittoPath, "-c", filepath.Join(m.dir, "mosquitto.conf"))
	if err := m.command.Start(); err != nil {
		m.t.Fatalf("start %s: %v; install Debian's package mosquitto", mosquittoPath, err)
	}
	Until(m.t, "mosquitto to answer", func() bool {
		c, err := net.Dial("tcp", m.address)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	})
}

// Kill ends it with no time to save anything.
func (m *Mosquitto) Kill() {
	if m.command == nil {
		return
	}
	_ = m.command.Process.Kill()
	_ = m.command.Wait()
	m.command = nil
}
