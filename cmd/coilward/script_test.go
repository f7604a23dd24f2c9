package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScript runs the commands of testdata/script as a user types them.
func TestScript(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:           filepath.Join("..", "..", "testdata", "script"),
		UpdateScripts: *update,
		Setup: func(e *testscript.Env) error {
			example, err := filepath.Abs(filepath.Join("..", "..", "deploy"))
			e.Setenv("DEPLOY", example)
			return err
		},
	})
}

// typed is coilward as the scripts call it.
func typed() {
	os.Exit(run(context.Background(), os.Args[1:], &streams{os.Stdin, os.Stdout, os.Stderr}))
}
