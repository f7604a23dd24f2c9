package simulate

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
)

// WriteFleet simulates a fleet and writes fleet.yaml, messages.ndjson.gz and
// truth.json into dir, which is created.
func WriteFleet(dir string, o Options) error {
	f, err := NewFleet(o)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "fleet.yaml"), []byte(f.YAML()), 0o644); err != nil {
		return err
	}
	file, err := os.Create(filepath.Join(dir, "messages.ndjson.gz"))
	if err != nil {
		return err
	}
	defer file.Close()
	lines, err := f.writeMessages(file)
	if err != nil {
		return fmt.Errorf("writing messages: %w", err)
	}
	if err := file.Close(); err != nil {
		return err
	}
	t := f.Truth()
	t.Lines = lines
	b, err := json.Marshal(t)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "truth.json"), b, 0o644)
}

// writeMessages runs the fleet to the end of its days and writes gzipped
// NDJSON, one message a line; it returns the number of lines.
func (f *Fleet) writeMessages(w io.Writer) (int, error) {
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return 0, err
	}
	b := bufio.NewWriterSize(z, 1<<16)
	n := 0
	for range f.Options.Days * 24 {
		for _, m := range f.Advance(time.Hour) {
			if _, err := b.Write(f.Line(m)); err != nil {
				return n, err
			}
			n++
		}
	}
	if err := b.Flush(); err != nil {
		return n, err
	}
	return n, z.Close()
}

// Line returns a message as a line of NDJSON, with its line feed.
func (f *Fleet) Line(m Message) []byte {
	at := f.Options.Start.Add(time.Duration(m.Received * float64(time.Second))).UTC().Truncate(time.Second)
	b := make([]byte, 0, len(m.Payload)+128)
	b = append(b, `{"received":"`...)
	b = at.AppendFormat(b, time.RFC3339)
	b = append(b, `","topic":"`...)
	b = append(b, m.Topic...)
	b = append(b, `","payload":`...)
	if m.Status {
		b = append(append(append(b, '"'), m.Payload...), '"')
	} else {
		b = append(b, m.Payload...)
	}
	return append(b, '}', '\n')
}
