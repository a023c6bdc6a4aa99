package main

import (
	"context"
	"fmt"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	if orders := os.Getenv(steppedEnv); orders != "" {
		if err := stepped(orders, os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if name := os.Getenv(lampEnv); name != "" {
		os.Exit(lampDaemon(name))
	}
	if file := os.Getenv(ringingEnv); file != "" {
		if err := ringingDaemon(file, os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	testscript.Main(m, map[string]func(){
		"ashlamp": func() { os.Exit(dispatch(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// TestScripts runs the commands as a person would; each file in testdata/script
// holds the commands, what goes in and what must come out.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", UpdateScripts: *update, Cmds: bookCommands()})
}
