package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"golang.org/x/term"
)

// watch tells how far the import is until stop is called: in place on a terminal,
// else a line every tenth, or every half minute when the size is not known.
func (in *importer) watch(out io.Writer, size int64) (stop func()) {
	file, is := out.(*os.File)
	terminal := is && term.IsTerminal(int(file.Fd()))
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		begin, told, toldAt := time.Now(), 0.0, time.Now()
		for {
			select {
			case <-ctx.Done():
				if terminal {
					fmt.Fprint(out, "\r\x1b[K")
				}
				return
			case now := <-tick.C:
				rows := in.told.Load()
				text := fmt.Sprintf("import: %d rows", rows)
				done := 0.0
				if size > 0 {
					done = min(1, float64(in.read.Load())/float64(size))
					text = fmt.Sprintf("import: %.0f %%, %d rows", 100*done, rows)
				}
				if took := now.Sub(begin); done > 0.02 {
					text += fmt.Sprintf(", about %.0f s left", took.Seconds()*(1-done)/done)
				}
				switch {
				case terminal:
					fmt.Fprint(out, "\r\x1b[K"+text)
				case size > 0 && rows > 0 && done >= told+0.1, size == 0 && now.Sub(toldAt) > 30*time.Second:
					told, toldAt = done, now
					fmt.Fprintln(out, text)
				}
			}
		}
	}()
	return func() { cancel(); <-over }
}
