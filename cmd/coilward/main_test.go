package main

import (
	"flag"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"go.uber.org/goleak"
)

var update = flag.Bool("update", false, "write what was got into the golden files; look at the difference")

func TestMain(m *testing.M) {
	testscript.Main(leakless{m}, map[string]func(){"coilward": typed})
}

// leakless runs the tests and fails when goroutines are left.
type leakless struct{ m *testing.M }

// Run runs the tests.
func (l leakless) Run() int {
	status := l.m.Run()
	if recordings.dir != "" {
		_ = os.RemoveAll(recordings.dir)
	}
	if err := goleak.Find(); err != nil && status == 0 {
		println(err.Error())
		return 1
	}
	return status
}
