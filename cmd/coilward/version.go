package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
)

// version returns the version the program was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "development"
	}
	revision, changed := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			revision = " " + s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = " with changes"
		}
	}
	return v + revision + changed
}

// versionCommand is the command line of version.
type versionCommand struct{}

func (*versionCommand) run(_ context.Context, s *streams) int {
	fmt.Fprintf(s.out, "coilward %s, %s %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return statusOK
}
