package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"

	"github.com/klauspost/compress/gzip"
)

const (
	chunkBytes = 256 << 10
	maxLine    = 4 << 20 // bytes; a longer line is a bad one
)

// chunk is some whole lines of a recording, and what they turned out to hold.
type chunk struct {
	file    string
	first   int // number of the first line
	lines   []byte
	err     error // reading ended after the lines, with this
	tooLong bool  // the line after them is too long and left out

	parsed
	done chan struct{} // closed once parsed
}

// openRecording opens a file, or standard input for "-", and unpacks it if it is
// compressed, which its first bytes tell. read counts the bytes of the file.
func openRecording(name string, stdin io.Reader, read *atomic.Int64) (io.Reader, func() error, error) {
	in, done := stdin, func() error { return nil }
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, nil, err
		}
		if info, err := f.Stat(); err == nil && info.IsDir() {
			f.Close()
			return nil, nil, fmt.Errorf("%s is a folder; name the files in it", name)
		}
		in, done = f, f.Close
	}
	b := bufio.NewReaderSize(&counted{in, read}, 256<<10)
	if magic, _ := b.Peek(2); bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(b)
		if err != nil {
			done()
			return nil, nil, fmt.Errorf("%s: %w", name, err)
		}
		return z, done, nil
	}
	return b, done, nil
}

// counted counts what is read.
type counted struct {
	r io.Reader
	n *atomic.Int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n.Add(int64(n))
	return n, err
}

// readChunks cuts a recording into chunks and sends each to both channels, to be
// parsed by anyone and taken up in order.
func readChunks(ctx context.Context, file string, r io.Reader, toParse, inOrder chan<- *chunk) error {
	send := func(c *chunk) error {
		c.file, c.done = file, make(chan struct{})
		for _, to := range []chan<- *chunk{inOrder, toParse} {
			select {
			case to <- c:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	}
	line := 1
	var rest []byte // of a line that is not over
	skipping := false
	for {
		buf := make([]byte, max(chunkBytes, 2*len(rest)))
		n := copy(buf, rest)
		var err error
		for n < len(buf) && err == nil {
			var m int
			m, err = r.Read(buf[n:])
			n += m
		}
		buf = buf[:n]
		if skipping {
			end := bytes.IndexByte(buf, '\n') + 1
			skipping = end == 0
			if skipping {
				end = len(buf)
			} else {
				line++
			}
			buf = buf[end:]
		}
		whole := bytes.LastIndexByte(buf, '\n') + 1
		if err != nil {
			whole = len(buf)
		}
		c := &chunk{first: line, lines: buf[:whole]}
		if rest = buf[whole:]; len(rest) > maxLine {
			rest, skipping = nil, true
			c.tooLong = true
		}
		if err != nil && !errors.Is(err, io.EOF) {
			c.err = err
		}
		line += bytes.Count(c.lines, []byte{'\n'})
		if len(c.lines) > 0 || c.tooLong || c.err != nil {
			if failed := send(c); failed != nil {
				return failed
			}
		}
		if err != nil {
			return nil
		}
	}
}
