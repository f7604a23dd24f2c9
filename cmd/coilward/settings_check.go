package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect"
)

// checkSettings tells what of the settings in effect does not fit the fleet file,
// and what the standards advise against.
func checkSettings(ctx context.Context, out io.Writer, data string, file *fleet.Fleet) error {
	e, err := storedSettings(ctx, data, time.Now())
	if err != nil {
		return err
	}
	f, err := e.At(file)
	if err != nil {
		return fmt.Errorf("the settings, version %d, do not fit the fleet file:\n%w", e.Number, err)
	}
	switch {
	case e.Number == 0:
		fmt.Fprintln(out, "settings: none are laid over the fleet file")
	default:
		fmt.Fprintf(out, "settings: good, version %d with %d %s\n", e.Number, e.All.Len(), plural(e.All.Len(), "value"))
	}
	if e.Pending != nil {
		fmt.Fprintf(out, "settings: version %d is %s\n", e.Pending.Number, e.Phase)
	}
	for _, a := range settings.Advise(f, e.All, detect.NewLibrary().Trade()) {
		fmt.Fprintf(out, "advice: %s\n", a)
	}
	if stale := staleTrade(); stale != "" {
		fmt.Fprintf(out, "advice: %s\n", stale)
	}
	return nil
}
