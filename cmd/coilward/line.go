package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"coilward/collector"
)

// recorded is one line of a recording, apart. topic and payload are parts of
// the line unless it had to be read the slow way.
type recorded struct {
	received collector.Millis
	topic    []byte
	payload  []byte // a string payload is unquoted
	isString bool
}

// scanLine takes apart a line in the form that recorders write: one object,
// keys and short strings without escapes, payload last. ok is false for any
// other form; readLine reads that. The payload of a line taken here may still
// turn out not to be one JSON value, which its decoder notices.
func scanLine(line []byte) (rec recorded, ok bool) {
	line = bytes.TrimSpace(line)
	if len(line) < 2 || line[0] != '{' || line[len(line)-1] != '}' {
		return rec, false
	}
	rest := line[1:]
	seen := 0
	for {
		key, after, ok := scanString(rest)
		if !ok {
			return rec, false
		}
		after = skipSpace(after)
		if len(after) == 0 || after[0] != ':' {
			return rec, false
		}
		rest = skipSpace(after[1:])
		var value []byte
		switch string(key) {
		case "received":
			if value, rest, ok = scanString(rest); !ok {
				return rec, false
			}
			if rec.received, ok = parseInstant(value); !ok {
				return rec, false
			}
			seen |= 1
		case "topic":
			if rec.topic, rest, ok = scanString(rest); !ok {
				return rec, false
			}
			seen |= 2
		case "payload":
			if seen != 3 || len(rest) < 3 {
				return rec, false
			}
			switch rest[0] {
			case '[':
				rec.payload = bytes.TrimRight(rest[:len(rest)-1], " \t")
				return rec, true
			case '"':
				rec.isString = true
				if rec.payload, rest, ok = scanString(rest); !ok {
					return rec, false
				}
				rest = skipSpace(rest)
				return rec, len(rest) == 1 // the brace
			}
			return rec, false
		default:
			return rec, false
		}
		rest = skipSpace(rest)
		if len(rest) == 0 || rest[0] != ',' {
			return rec, false
		}
		rest = skipSpace(rest[1:])
	}
}

// scanString returns the content of a string without escapes, and what follows.
func scanString(b []byte) (s, rest []byte, ok bool) {
	if len(b) < 2 || b[0] != '"' {
		return nil, b, false
	}
	n := bytes.IndexByte(b[1:], '"')
	if n < 0 {
		return nil, b, false
	}
	s = b[1 : 1+n]
	for _, c := range s {
		if c == '\\' || c < 0x20 || c >= 0x80 {
			return nil, b, false
		}
	}
	return s, b[n+2:], true
}

func skipSpace(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

// readLine takes any line apart and says what is wrong with it.
func readLine(line []byte) (rec recorded, err error) {
	var v struct {
		Received *string          `json:"received"`
		Topic    *string          `json:"topic"`
		Payload  *json.RawMessage `json:"payload"`
	}
	if err := json.Unmarshal(line, &v); err != nil {
		return rec, fmt.Errorf("not a JSON object with received, topic and payload: %w", err)
	}
	switch {
	case v.Received == nil:
		return rec, errors.New(`"received" is missing: the time the message came in, RFC 3339`)
	case v.Topic == nil:
		return rec, errors.New(`"topic" is missing`)
	case v.Payload == nil:
		return rec, errors.New(`"payload" is missing: a SenML pack, or the text of a status`)
	}
	t, err := time.Parse(time.RFC3339Nano, *v.Received)
	if err != nil {
		return rec, fmt.Errorf(`"received" is %q; it must be a time as in RFC 3339, such as 2026-07-01T00:00:00Z`, *v.Received)
	}
	rec = recorded{received: collector.MillisOf(t), topic: []byte(*v.Topic), payload: *v.Payload}
	if rec.payload[0] == '"' {
		var s string
		if err := json.Unmarshal(rec.payload, &s); err != nil {
			return rec, fmt.Errorf(`"payload": %w`, err)
		}
		rec.payload, rec.isString = []byte(s), true
	}
	return rec, nil
}

// parseInstant reads the common forms of an RFC 3339 time, 2026-07-01T00:00:00Z
// with or without a fraction; readLine reads the others.
func parseInstant(b []byte) (collector.Millis, bool) {
	if len(b) < 20 || b[len(b)-1] != 'Z' || b[4] != '-' || b[7] != '-' || b[10] != 'T' || b[13] != ':' || b[16] != ':' {
		return 0, false
	}
	ok := true
	digits := func(from, to int) int {
		n := 0
		for _, c := range b[from:to] {
			if c < '0' || c > '9' {
				ok = false
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	year, month, day := digits(0, 4), digits(5, 7), digits(8, 10)
	hour, minute, second := digits(11, 13), digits(14, 16), digits(17, 19)
	millis := 0
	if frac := b[19 : len(b)-1]; len(frac) > 0 {
		if frac[0] != '.' || len(frac) == 1 {
			return 0, false
		}
		scale := 100
		for _, c := range frac[1:] {
			if c < '0' || c > '9' {
				return 0, false
			}
			millis += int(c-'0') * scale
			scale /= 10
		}
	}
	// Days that do not exist, leap seconds and old years are left to time.Parse.
	if !ok || month < 1 || month > 12 || day < 1 || day > 28 && day > daysIn(year, month) || hour > 23 || minute > 59 || second > 59 || year < 1970 {
		return 0, false
	}
	return collector.Millis((int64(daysSinceEpoch(year, month, day))*86400+int64(hour*3600+minute*60+second))*1000 + int64(millis)), true
}

func daysIn(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// daysSinceEpoch counts days of the Gregorian calendar from 1970-01-01. Years
// are taken to begin in March, so that the leap day is their last.
func daysSinceEpoch(year, month, day int) int {
	if month <= 2 {
		year--
		month += 12
	}
	return 365*year + year/4 - year/100 + year/400 + (153*(month-3)+2)/5 + day - 1 - 719468
}
