package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"ashlamp/daemon/config"
	"ashlamp/daemon/setup"
)

// scan lists the chips that answer on this machine's I2C buses.
func scan(_ context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	return scanOn(setup.Board(), args, stdout, stderr)
}

func scanOn(m setup.Machine, args []string, stdout, stderr io.Writer) error {
	f := flags("scan")
	path := f.String("c", "", "configuration, to tell what is read already")
	asJSON := f.Bool("json", false, "a JSON object a line")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return &wrongUse{fmt.Sprintf("%q is left over", f.Arg(0))}
	}
	var c *config.Config
	if *path != "" {
		read, err := config.Read(*path)
		if errors.Is(err, fs.ErrNotExist) {
			return &wrongUse{fmt.Sprintf("%s does not exist; name the shed's configuration, or leave -c out", *path)}
		}
		if err != nil {
			return err
		}
		c = &read
	}
	buses, troubles := setup.Scan(m, c)
	failed := len(troubles) > 0
	for _, t := range troubles {
		fmt.Fprintf(stderr, "ashlamp scan: %s\n", t)
	}
	for _, b := range buses {
		if b.Trouble != "" {
			failed = true
			fmt.Fprintf(stderr, "ashlamp scan: bus %s: %s\n", b.Name, b.Trouble)
		}
		if *asJSON {
			for _, d := range b.Devices {
				line := struct {
					Bus       string   `json:"bus"`
					Device    string   `json:"device"`
					Address   int      `json:"address"`
					Kind      string   `json:"kind,omitempty"`
					Name      string   `json:"name,omitempty"`
					Certainty string   `json:"certainty"`
					Used      []string `json:"used,omitempty"`
				}{b.Name, b.Device, d.Address, d.Kind, d.Name, d.Certainty, d.Used}
				text, err := json.Marshal(line)
				if err != nil {
					return fmt.Errorf("encode a device: %w", err)
				}
				fmt.Fprintf(stdout, "%s\n", text)
			}
			continue
		}
		for _, d := range b.Devices {
			fmt.Fprintln(stdout, setup.Line(b, d))
		}
		if len(b.Devices) == 0 && b.Trouble == "" {
			fmt.Fprintf(stdout, "%s: nothing answers; look at the wiring, the pull-ups and the supply\n", b.Name)
		}
	}
	if failed {
		return errTold
	}
	return nil
}
