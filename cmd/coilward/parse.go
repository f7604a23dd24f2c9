package main

import (
	"bytes"
	"context"
	"fmt"

	"coilward/collector"
	"coilward/collector/intake"
)

// parsed is what the lines of a chunk hold.
type parsed struct {
	readings []collector.Reading
	messages []message
	problems []lineProblem
	refused  [collector.NumReasons]uint64 // records, where the rest of the message is good
	read     int                          // messages that were read, with or without a reading in them
}

// message is the readings of one message.
type message struct {
	received collector.Millis
	line     int
	from, to int // in readings
}

// lineProblem says why a line is bad.
type lineProblem struct {
	line int
	text string
}

// parser turns chunks into readings. It is for one goroutine.
type parser struct {
	decoder *intake.Decoder
	topics  map[string]string
}

// mostTopics bounds what is remembered; a million machines have two each.
const mostTopics = 1 << 21

func newParser(o intake.DecoderOptions) *parser {
	return &parser{decoder: intake.NewDecoder(o), topics: make(map[string]string)}
}

// run parses chunks until there are no more.
func (p *parser) run(ctx context.Context, chunks <-chan *chunk) error {
	for {
		select {
		case c, ok := <-chunks:
			if !ok {
				return nil
			}
			p.parse(c)
			close(c.done)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (p *parser) parse(c *chunk) {
	c.readings = make([]collector.Reading, 0, len(c.lines)/400)
	c.messages = make([]message, 0, len(c.lines)/400)
	lines, number := c.lines, c.first
	for len(lines) > 0 {
		line := lines
		if n := bytes.IndexByte(lines, '\n'); n >= 0 {
			line, lines = lines[:n], lines[n+1:]
		} else {
			lines = nil
		}
		if len(bytes.TrimSpace(line)) > 0 {
			if err := p.line(c, number, line); err != nil {
				c.problems = append(c.problems, lineProblem{number, err.Error()})
			}
		}
		number++
	}
	if c.tooLong {
		c.problems = append(c.problems, lineProblem{number, fmt.Sprintf("the line is longer than %d MiB", maxLine>>20)})
	}
	if c.err != nil {
		c.problems = append(c.problems, lineProblem{number, "the file cannot be read on from here: " + c.err.Error()})
	}
}

// line parses one line. The error says why there is no message in it.
func (p *parser) line(c *chunk, number int, line []byte) error {
	rec, quick := scanLine(line)
	if !quick {
		var err error
		if rec, err = readLine(line); err != nil {
			return err
		}
	}
	err := p.message(c, number, &rec)
	if err != nil && quick {
		// What was taken for the payload may be more than that.
		slow, slowErr := readLine(line)
		if slowErr != nil {
			return slowErr
		}
		if !bytes.Equal(slow.payload, rec.payload) || !bytes.Equal(slow.topic, rec.topic) {
			err = p.message(c, number, &slow)
		}
	}
	return err
}

// message decodes one message. A message that is refused as a whole is an error.
func (p *parser) message(c *chunk, number int, rec *recorded) error {
	topic, ok := p.topics[string(rec.topic)]
	if !ok {
		if len(p.topics) >= mostTopics {
			clear(p.topics)
		}
		topic = string(rec.topic)
		p.topics[topic] = topic
	}
	from := len(c.readings)
	var refusals []intake.Refusal
	c.readings, refusals = p.decoder.Decode(c.readings, rec.received, topic, rec.payload)
	for _, r := range refusals {
		if r.Record == intake.WholeMessage && !r.Reason.Repaired() {
			c.readings = c.readings[:from]
			return fmt.Errorf("%w", r)
		}
	}
	for _, r := range refusals {
		c.refused[r.Reason]++
	}
	c.read++
	if to := len(c.readings); to > from {
		c.messages = append(c.messages, message{rec.received, number, from, to})
	}
	return nil
}
