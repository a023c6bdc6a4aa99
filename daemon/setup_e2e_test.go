package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ashlamp/dashboard/message"
)

// TestSetUpInOneProcess: the program as it is shipped, started in an empty folder, goes
// from set-up to the daemon without another start, and by the file that it wrote it
// starts as any daemon does.
func TestSetUpInOneProcess(t *testing.T) {
	t.Parallel()
	program, dir := built(t), t.TempDir()
	page, broker := free(t), free(t)
	start := func() (*exec.Cmd, *bufio.Scanner) {
		t.Helper()
		ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
		t.Cleanup(stop)
		c := exec.CommandContext(ctx, program, "run", "-c", "shed.toml", "--data", "data", "--listen", page)
		c.Dir = dir
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		return c, bufio.NewScanner(out)
	}
	says := func(lines *bufio.Scanner, want string) {
		t.Helper()
		for lines.Scan() {
			if strings.Contains(lines.Text(), want) {
				return
			}
		}
		t.Fatalf("it never said %q", want)
	}
	end := func(c *exec.Cmd) {
		t.Helper()
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := c.Wait(); err != nil {
			t.Errorf("it ended with %v", err)
		}
	}
	call := func(method, path string, body any) message.Setup {
		t.Helper()
		var in io.Reader
		if body != nil {
			b, err := json.Marshal(body)
			if err != nil {
				t.Fatal(err)
			}
			in = bytes.NewReader(b)
		}
		r, err := http.NewRequestWithContext(t.Context(), method, "http://"+page+"/api/v1"+path, in)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		out, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s %s: %d %s %v", method, path, resp.StatusCode, out, err)
		}
		var s message.Setup
		if err := json.Unmarshal(out, &s); err != nil {
			t.Fatal(err)
		}
		return s
	}

	c, lines := start()
	says(lines, "set-up is open at http://"+page)
	s := call("GET", "/setup", nil)
	s = call("PUT", "/setup/doors", message.SetupDoorsPut{Hash: s.File.Hash, Listen: &broker})
	id, bar, litres, low, high := "fernhollow", 10.0, 400.0, 0.0, 16e5
	s = call("PUT", "/setup/shed", message.SetupShedPut{Hash: s.File.Hash, ID: &id})
	s = call("PUT", "/setup/engines/quillet", message.SetupEnginePut{
		Hash: s.File.Hash, WorkingPressureBar: &bar, BoilerVolumeL: &litres,
		Channels: []message.SetupChannelAs{{ID: "boiler.pressure", Set: message.SetupChannelSet{Low: &low, High: &high}}},
	})
	says(lines, "fernhollow: the page is at http://"+page)
	says(lines, "fernhollow: nodes may speak MQTT to "+broker)
	if s.Daemon.State != "running" || !s.File.Exists {
		t.Errorf("after set-up: %+v %+v", s.Daemon, s.File)
	}
	end(c)
	out, err := exec.Command(program, "check", "-c", filepath.Join(dir, "shed.toml")).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "nothing wrong found") {
		t.Errorf("what it wrote: %v %s", err, out)
	}

	c, lines = start()
	says(lines, "fernhollow: the page is at http://"+page)
	again := call("GET", "/setup", nil)
	if again.Daemon.State != "running" || again.File.Hash != s.File.Hash || len(again.Engines) != 1 || again.Engines[0].ID != "quillet" {
		t.Errorf("started again: %+v %+v", again.Daemon, again.Engines)
	}
	end(c)
}
