package main

import (
	"bufio"
	"bytes"
	"context"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ashlamp/ingest/store"
)

// refused runs the daemon's command in this process; it must end by itself with exit
// code 1, one line on what is wrong and the mend.
func refused(t *testing.T, file, data string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	var out, errs bytes.Buffer
	if code := dispatch(ctx, []string{"run", "-c", file, "--data", data}, strings.NewReader(""), &out, &errs); code != exitFail {
		t.Errorf("exit code %d, want %d; it said %q", code, exitFail, errs.String())
	}
	if out.Len() > 0 {
		t.Errorf("it announced itself: %q", out.String())
	}
	return errs.String()
}

func taken(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l.Addr().String()
}

func TestADaemonThatCannotStartSaysWhyAndHoldsNothing(t *testing.T) {
	occupied := taken(t)
	plain := filepath.Join(t.TempDir(), "a-file")
	if err := os.WriteFile(plain, []byte("no folder"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name         string
		page, broker string
		data         string // empty for a fresh folder
		want         []string
	}{
		{name: "the page's address is taken", page: occupied, broker: "127.0.0.1:0", want: []string{"listen for the page on " + occupied, "address already in use", "choose another address under [http] listen"}},
		{name: "the broker's address is taken", page: "127.0.0.1:0", broker: occupied, want: []string{"listen for MQTT on " + occupied, "address already in use", "give another address"}},
		{name: "an address that is not this machine's", page: "192.0.2.1:8080", broker: "127.0.0.1:0", want: []string{"listen for the page on 192.0.2.1:8080", "choose another address"}}, // RFC 5737
		{name: "the data folder is a file", page: "127.0.0.1:0", broker: "127.0.0.1:0", data: plain, want: []string{plain, "not a directory", "where the daemon may write"}},
		{name: "the data folder is below a file", page: "127.0.0.1:0", broker: "127.0.0.1:0", data: filepath.Join(plain, "data"), want: []string{plain, "not a directory", "where the daemon may write"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := c.data
			if data == "" {
				data = t.TempDir()
			}
			said := refused(t, shedFile(t, c.page, c.broker), data)
			for _, w := range c.want {
				if !strings.Contains(said, w) {
					t.Errorf("it said %q, want %q in it", said, w)
				}
			}
			if n := strings.Count(strings.TrimSpace(said), "\n"); n != 0 {
				t.Errorf("it said %d lines: %q", n+1, said)
			}
			if c.data != "" {
				return
			}
			s, err := store.Open(t.Context(), filepath.Join(data, "ashlamp.db"))
			if err != nil {
				t.Fatalf("the store is not free again: %v", err)
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestAStoreHasOneDaemon: a second process on the same data folder is refused, and
// the first one goes on.
func TestAStoreHasOneDaemon(t *testing.T) {
	binary, data := built(t), t.TempDir()
	first := exec.Command(binary, "run", "-c", shedFile(t, "127.0.0.1:0", "127.0.0.1:0"), "--data", data)
	first.Stderr = &logOf{t: t}
	out, err := first.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if first.ProcessState == nil {
			_ = first.Process.Kill()
			_ = first.Wait()
		}
	})
	said := bufio.NewScanner(out)
	if !said.Scan() {
		t.Fatal("the first daemon did not start")
	}
	_, address, ok := strings.Cut(said.Text(), "the page is at ")
	if !ok {
		t.Fatalf("the first daemon said %q", said.Text())
	}

	begun := time.Now()
	second := refused(t, shedFile(t, "127.0.0.1:0", "127.0.0.1:0"), data)
	for _, w := range []string{data, "the store is in use", "end the other daemon, or give this one another data folder"} {
		if !strings.Contains(second, w) {
			t.Errorf("the second daemon said %q, want %q in it", second, w)
		}
	}
	t.Logf("refused after %s", time.Since(begun).Round(time.Millisecond))

	r, err := http.Get(address + "api/v1/engines")
	if err != nil {
		t.Fatalf("the first daemon does not answer any more: %v", err)
	}
	_ = r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Errorf("the first daemon answers %s", r.Status)
	}
	if err := first.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for said.Scan() { // to the end of what it says
	}
	if err := first.Wait(); err != nil {
		t.Errorf("asked to stop, the first daemon ended with %v", err)
	}
}

// nobody is the user of Debian's that owns nothing.
const nobody = 65534

// TestADataFolderThatCannotBeWritten: as a user who may not, since root always may.
func TestADataFolderThatCannotBeWritten(t *testing.T) {
	dir, err := os.MkdirTemp("", "ashlamp-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	binary, file, data := filepath.Join(dir, "ashlamp"), filepath.Join(dir, "shed.toml"), filepath.Join(dir, "data")
	text, err := os.ReadFile(shedFile(t, "127.0.0.1:0", "127.0.0.1:0"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(data, 0o555); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(built(t), binary); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for _, c := range []struct{ name, data, want string }{
		{name: "it is there", data: data, want: "the daemon needs to write in its data folder"},
		{name: "it would have to be made", data: filepath.Join(data, "more"), want: "where the daemon may write"},
	} {
		t.Run(c.name, func(t *testing.T) {
			daemon := exec.CommandContext(ctx, binary, "run", "-c", file, "--data", c.data)
			if os.Getuid() == 0 {
				daemon.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
			}
			daemon.Dir = "/"
			said, err := daemon.CombinedOutput()
			if err == nil || daemon.ProcessState.ExitCode() != exitFail {
				t.Errorf("exit code %d, want %d", daemon.ProcessState.ExitCode(), exitFail)
			}
			for _, w := range []string{c.data, "permission denied", c.want} {
				if !strings.Contains(string(said), w) {
					t.Errorf("it said %q, want %q in it", said, w)
				}
			}
		})
	}
}
