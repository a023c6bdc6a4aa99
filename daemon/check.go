package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"ashlamp/daemon/config"
)

// check judges a configuration: nothing wrong is exit code 0, anything is 2, each
// with file, line and mend.
func check(_ context.Context, args []string, _ io.Reader, stdout, _ io.Writer) error {
	f := flags("check")
	path := f.String("c", "", "configuration file")
	if err := parse(f, args); err != nil {
		return err
	}
	c, err := readConfig(*path)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s: shed %s with %d engines; nothing wrong found\n", *path, c.Shed.ID, len(c.Engines))
	return nil
}

func readConfig(path string) (config.Config, error) {
	if path == "" {
		return config.Config{}, &wrongUse{"no configuration is named; give one with -c"}
	}
	c, err := config.Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return c, &wrongUse{fmt.Sprintf("%s does not exist; name the shed's configuration", path)}
	}
	return c, err
}
