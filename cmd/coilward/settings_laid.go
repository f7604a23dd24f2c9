package main

import (
	"fmt"

	"coilward/collector/fleet"
)

// laid lays the settings that were named over the fleet file.
func (c *replayCommand) laid(f *fleet.Fleet, s *streams) (*fleet.Fleet, bool) {
	if c.Settings == "" {
		return f, true
	}
	o, err := readSettings(c.Settings)
	if err == nil {
		f, err = f.With(o, nil)
	}
	if err != nil {
		fmt.Fprintln(s.err, err)
		return nil, false
	}
	return f, true
}
