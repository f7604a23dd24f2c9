package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"golang.org/x/term"
)

// watch tells how far the player is until stop is called: in place on a terminal, a
// line of JSON at a time to the daemon, else a line every tenth. Its part of the
// whole goes from base on, share long.
func (p *player) watch(out io.Writer, toDaemon bool, base, share float64) (stop func()) {
	file, is := out.(*os.File)
	terminal := is && term.IsTerminal(int(file.Fd()))
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		begin, told := time.Now(), base
		for {
			select {
			case <-ctx.Done():
				if terminal {
					fmt.Fprint(out, "\r\x1b[K")
				}
				return
			case <-tick.C:
			}
			part := p.done()
			done := base + share*part
			left := ""
			if part > 0.02 {
				left = fmt.Sprintf(", about %.0f s left", time.Since(begin).Seconds()*(1-done)/(done-base))
			}
			switch {
			case toDaemon:
				fmt.Fprintf(out, "{\"done\":%.4f}\n", done)
			case terminal:
				fmt.Fprintf(out, "\r\x1b[Ktrial: %3.0f %%%s", 100*done, left)
			case done >= told+0.1:
				told = math.Floor(done*10) / 10
				fmt.Fprintf(out, "trial: %.0f %%%s\n", 100*told, left)
			}
		}
	}()
	return func() { cancel(); <-over }
}

// untilEOF returns a context that ends when in does: whoever started this process
// has gone. stop gives it back; a read under way is left to the end of the process.
func untilEOF(ctx context.Context, in io.Reader) (context.Context, func()) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		_, _ = io.Copy(io.Discard, in)
		cancel()
	}()
	return ctx, cancel
}
