package notifytest

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"text/template"
	"time"
)

// exim is where Debian's exim4-daemon-light puts the mail server; "make tools" installs it.
const exim = "/usr/sbin/exim4"

// The names of mailboxes for which a [MailServer] has an answer of its own; all others
// take what comes.
const (
	// BoxBusy is told to come again (451), BoxRefused that there is nobody (550), and of
	// BoxRefusedLate the server says so only once it has the whole message.
	BoxBusy        = "busy"
	BoxRefused     = "nobody"
	BoxRefusedLate = "unwanted"
)

// MailServer is a mail server from Debian on loopback, of which nothing is known to the
// rest of the machine: STARTTLS with a certificate of the test's authority, a name and
// password asked for, and mailboxes that the test reads back. It can be killed and started
// again at the same port, and runs as an ordinary user.
type MailServer struct {
	t   testing.TB
	dir string
	// Port is where it listens; User and Password are what it asks for.
	Port           int
	User, Password string

	as *syscall.Credential // nil for who runs the test

	mu  sync.Mutex
	cmd *exec.Cmd
	out *bytes.Buffer
}

// Mail is one that lies in a mailbox.
type Mail struct {
	// To is the address that the server delivered it to.
	To string
	*mail.Message
	// Raw is the whole of it, Body what stands under the head, as it came.
	Raw  []byte
	Body []byte
}

var eximConf = template.Must(template.New("").Parse(`
exim_user = {{.UID}}
exim_group = {{.GID}}
admin_groups = {{.GID}}
trusted_groups = {{.GID}}
primary_hostname = mail.fernhollow.example
spool_directory = {{.Dir}}/spool
log_file_path = {{.Dir}}/log/%slog
pid_file_path = {{.Dir}}/exim.pid
notifier_socket =
local_interfaces = 127.0.0.1
daemon_smtp_ports = {{.Port}}
tls_advertise_hosts = {{if .TLS}}*{{end}}
tls_certificate = {{.Dir}}/cert.pem
tls_privatekey = {{.Dir}}/key.pem
acl_smtp_mail = sender
acl_smtp_rcpt = recipient
acl_smtp_data = whole
host_lookup =
never_users =
deliver_drop_privilege
keep_environment =
smtp_accept_max = 200
smtp_accept_queue = 0
smtp_accept_queue_per_connection = 0
message_logs = false
begin acl
sender:
  deny senders = ! *@fernhollow.example
       message = not from here
  accept
recipient:
{{- if .Auth}}
  deny !authenticated = *
       message = say who you are first
{{- end}}
  defer local_parts = ` + BoxBusy + `
        message = too many at once
  deny local_parts = ` + BoxRefused + `
       message = nobody of that name
  accept
whole:
  deny condition = ${if match{$recipients}{` + BoxRefusedLate + `@}}
       message = not wanted here
  accept
begin routers
all:
  driver = accept
  transport = box
begin transports
box:
  driver = appendfile
  directory = {{.Dir}}/box
  maildir_format
  create_directory
  envelope_to_add
begin retry
* * F,1h,5s
begin authenticators
{{- if .Auth}}
plain:
  driver = plaintext
  public_name = PLAIN
  server_condition = ${if and{{"{{"}}eq{$auth2}{ {{- .User}}}}{eq{$auth3}{ {{- .Password -}} }}}}
  server_set_id = $auth2
  server_advertise_condition = {{if .TLS}}${if def:tls_in_cipher}{{else}}yes{{end}}
{{- end}}
`))

// MailOptions are what a [MailServer] does otherwise than usually.
type MailOptions struct {
	// NoTLS is that it speaks no STARTTLS, NoAuth that it asks for no name.
	NoTLS, NoAuth bool
}

// NewMailServer starts a mail server; the authority signs its certificate.
func NewMailServer(t testing.TB, a *Authority, o MailOptions) *MailServer {
	t.Helper()
	if _, err := os.Stat(exim); err != nil {
		t.Fatalf("there is no mail server to test with: %v; \"make tools\" installs it", err)
	}
	m := &MailServer{t: t, dir: t.TempDir(), User: "shed", Password: "a-password-of-the-test"}
	cert, key := pems(t, a.Certificate(t))
	write(t, filepath.Join(m.dir, "cert.pem"), cert)
	write(t, filepath.Join(m.dir, "key.pem"), key)
	uid, gid := os.Getuid(), os.Getgid()
	dirs := []string{m.dir}
	for _, d := range []string{"spool", "log", "box"} {
		dirs = append(dirs, filepath.Join(m.dir, d))
		if err := os.Mkdir(filepath.Join(m.dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if uid == 0 {
		// It delivers nothing as root, so it is nobody for the time.
		u, err := user.Lookup("nobody")
		if err != nil {
			t.Fatal(err)
		}
		uid, _ = strconv.Atoi(u.Uid)
		gid, _ = strconv.Atoi(u.Gid)
		m.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		for _, d := range append(dirs, filepath.Join(m.dir, "cert.pem"), filepath.Join(m.dir, "key.pem")) {
			if err := os.Chown(d, uid, gid); err != nil {
				t.Fatal(err)
			}
		}
		reachable(t, m.dir)
	}
	for range 5 { // another process may take the port between the look and the start
		m.Port = freePort(t)
		var b bytes.Buffer
		err := eximConf.Execute(&b, map[string]any{
			"UID": uid, "GID": gid, "Dir": m.dir, "Port": m.Port, "User": m.User, "Password": m.Password,
			"TLS": !o.NoTLS, "Auth": !o.NoAuth,
		})
		if err != nil {
			t.Fatal(err)
		}
		write(t, m.conf(), b.Bytes())
		if err = m.start(); err == nil {
			t.Cleanup(m.Kill)
			return m
		}
		t.Logf("the mail server does not start: %v", err)
		m.Kill()
	}
	t.Fatal("the mail server does not start")
	return nil
}

// reachable lets an ordinary user into the folder of the test: its parents are made for
// the one who runs it.
func reachable(t testing.TB, dir string) {
	t.Helper()
	for d := filepath.Dir(dir); d != os.TempDir() && d != "/" && d != "."; d = filepath.Dir(d) {
		i, err := os.Stat(d)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(d, i.Mode().Perm()|0o011); err != nil {
			t.Fatal(err)
		}
	}
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func (m *MailServer) conf() string { return filepath.Join(m.dir, "conf") }

// start starts it and waits until it greets.
func (m *MailServer) start() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.cmd != nil {
		return nil
	}
	// -q sends on what lay in its queue when it was killed.
	c := exec.Command(exim, "-bdf", "-q2s", "-C", m.conf())
	m.out = &bytes.Buffer{}
	c.Stdout, c.Stderr = m.out, m.out
	// A group of its own, so that the processes that it makes for connections go with it.
	c.SysProcAttr = &syscall.SysProcAttr{Credential: m.as, Setpgid: true}
	c.Dir = m.dir
	if err := c.Start(); err != nil {
		return err
	}
	m.cmd = c
	died := make(chan struct{})
	go func() {
		_ = c.Wait()
		close(died)
	}()
	deadline := time.Now().Add(10 * time.Second)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for time.Now().Before(deadline) {
		if greets(m.Port) {
			return nil
		}
		select {
		case <-died:
			return fmt.Errorf("it ended: %s%s", m.out, m.log())
		case <-tick.C:
		}
	}
	return fmt.Errorf("nobody greets on port %d: %s", m.Port, m.log())
}

// refuses reports whether nobody listens at a port.
func refuses(port int) bool {
	c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), time.Second)
	if err == nil {
		c.Close()
	}
	return errors.Is(err, syscall.ECONNREFUSED)
}

func greets(port int) bool {
	c, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), time.Second)
	if err != nil {
		return false
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(2 * time.Second))
	b := make([]byte, 4)
	_, err = c.Read(b)
	return err == nil && strings.HasPrefix(string(b), "220")
}

// log is the end of what the server wrote down.
func (m *MailServer) log() string {
	var s string
	for _, f := range []string{"mainlog", "paniclog"} {
		b, _ := os.ReadFile(filepath.Join(m.dir, "log", f))
		s += string(b[max(0, len(b)-2000):])
	}
	return s
}

// Start starts it again after [MailServer.Kill]; it does nothing where it runs.
func (m *MailServer) Start() {
	m.t.Helper()
	if err := m.start(); err != nil {
		m.t.Errorf("the mail server does not start again: %v", err)
	}
}

// Kill kills it with all that it is doing, as a loss of power would.
func (m *MailServer) Kill() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.cmd == nil {
		return
	}
	pid := m.cmd.Process.Pid
	m.cmd = nil
	_ = syscall.Kill(-pid, syscall.SIGKILL)
	// A delivery is in a group of its own, and would go on writing into the folder. What
	// names this server's configuration is its, and nobody else's.
	deadline := time.Now().Add(10 * time.Second)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for time.Now().Before(deadline) {
		left := m.processes()
		// One that is ending has no command line any more, but for a moment it still holds
		// its sockets: dead is who is no longer reached.
		if len(left) == 0 && refuses(m.Port) {
			return
		}
		for _, p := range left {
			_ = syscall.Kill(p, syscall.SIGKILL)
		}
		<-tick.C
	}
	m.t.Errorf("the mail server cannot be killed: processes %v, port %d refuses: %t", m.processes(), m.Port, refuses(m.Port))
}

// processes returns the ids of all that this server started.
func (m *MailServer) processes() []int {
	files, _ := filepath.Glob("/proc/[0-9]*/cmdline") // the pattern is sound
	var out []int
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			continue // it has just ended
		}
		if slices.Contains(strings.Split(string(b), "\x00"), m.conf()) {
			id, err := strconv.Atoi(filepath.Base(filepath.Dir(f)))
			if err == nil {
				out = append(out, id)
			}
		}
	}
	return out
}

// Mails returns what lies in the mailboxes, in no particular order.
func (m *MailServer) Mails() []Mail {
	m.t.Helper()
	files, err := filepath.Glob(filepath.Join(m.dir, "box", "new", "*"))
	if err != nil {
		m.t.Fatal(err)
	}
	var out []Mail
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			m.t.Fatal(err)
		}
		msg, err := mail.ReadMessage(bytes.NewReader(b))
		if err != nil {
			m.t.Fatalf("%s: %v", b, err)
		}
		body := new(bytes.Buffer)
		if _, err := body.ReadFrom(msg.Body); err != nil {
			m.t.Fatal(err)
		}
		out = append(out, Mail{To: strings.Trim(msg.Header.Get("Envelope-To"), "<> "), Message: msg, Raw: b, Body: body.Bytes()})
	}
	return out
}

// Await returns the mails once there are so many; the server takes a moment between taking
// a mail and laying it into the box. It fails the test where they do not come.
func (m *MailServer) Await(n int) []Mail {
	m.t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		got := m.Mails()
		if len(got) >= n {
			return got
		}
		if time.Now().After(deadline) {
			m.t.Fatalf("%d mails in the box, want %d; the server's log: %s", len(got), n, m.log())
		}
		<-tick.C
	}
}
