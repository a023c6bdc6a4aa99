package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"time"
)

// browser is a real browser with one page, watched by test/measure-drawn.ts of the
// page's own tools: that prints a line when it watches, and at the end what was drawn.
type browser struct {
	cmd   *exec.Cmd
	lines *bufio.Scanner
}

// openBrowser opens an address and watches the figure that a selector names for a span.
func openBrowser(ctx context.Context, tools, address, selector string, span time.Duration) (*browser, error) {
	cmd := exec.CommandContext(ctx, "npx", "tsx", "test/measure-drawn.ts", address, selector, fmt.Sprint(span.Milliseconds()))
	cmd.Dir, cmd.Stderr = tools, os.Stderr
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) } // it closes the browser first
	cmd.WaitDelay = patience
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the browser: %w; run npm ci in %s, or say -page", err, tools)
	}
	b := &browser{cmd, bufio.NewScanner(out)}
	b.lines.Buffer(nil, 1<<24)
	if !b.lines.Scan() {
		return nil, fmt.Errorf("the browser watched nothing: %w", cmd.Wait())
	}
	return b, nil
}

// end waits for the span to be over and returns what was drawn, in order.
func (b *browser) end() ([]sample, error) {
	if !b.lines.Scan() {
		return nil, fmt.Errorf("the browser told nothing of what it drew: %v", b.lines.Err())
	}
	var drawn []struct {
		Figure string  `json:"figure"`
		AtMs   float64 `json:"at"`
	}
	if err := json.Unmarshal(b.lines.Bytes(), &drawn); err != nil {
		return nil, fmt.Errorf("what the browser drew cannot be read: %w", err)
	}
	out := make([]sample, len(drawn))
	for i, d := range drawn {
		out[i] = sample{d.Figure, time.UnixMicro(int64(d.AtMs * 1000))}
	}
	return out, nil
}

func (b *browser) close() { _ = b.cmd.Wait() } // it ends by itself when its span is over
