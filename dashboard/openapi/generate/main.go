// Command generate writes the OpenAPI document of the HTTP interface from the Go
// declarations; descriptions are the declarations' doc comments.
//
//	go run ./dashboard/openapi/generate -o dashboard/openapi/openapi.json
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	out := flag.String("o", "", "file to write; standard output where it is absent")
	flag.Parse()
	if err := run(*out); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(out string) error {
	root, err := moduleRoot()
	if err != nil {
		return err
	}
	doc, err := document(root)
	if err != nil {
		return fmt.Errorf("make the OpenAPI document: %w", err)
	}
	if out == "" {
		_, err = os.Stdout.Write(doc)
		return err
	}
	return os.WriteFile(out, doc, 0o644)
}

// moduleRoot is the nearest folder upwards that holds go.mod.
func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", fmt.Errorf("no go.mod above the working folder; run this inside the repository")
		}
		dir = up
	}
}
