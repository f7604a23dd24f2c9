package history

import (
	"bytes"
	"encoding/binary"
)

// Kinds of key; see the package comment.
const (
	blockKey      = 'b'
	lateKey       = 'l'
	setKey        = 's'
	machineKey    = 'm'
	flushedKey    = 'f'
	summaryKey    = 'q'
	summarisedKey = 'n'
	totalKey      = 't'
	cutoffKey     = 'k'
)

// appendDayKey appends the front of the keys of a machine on a day.
func appendDayKey(dst []byte, kind byte, day uint32, machine string) []byte {
	dst = append(dst, kind)
	dst = binary.BigEndian.AppendUint32(dst, day)
	dst = append(dst, machine...)
	return append(dst, 0)
}

// appendPlace completes such a key with the place of a block.
func appendPlace(dst []byte, hour uint32, first uint64) []byte {
	dst = binary.BigEndian.AppendUint32(dst, hour)
	return binary.BigEndian.AppendUint64(dst, first)
}

// parseKey takes apart the key of a block or a late day.
func parseKey(key []byte) (day uint32, machine []byte, hour uint32, first uint64, ok bool) {
	if len(key) < 5 {
		return
	}
	day = binary.BigEndian.Uint32(key[1:])
	end := bytes.IndexByte(key[5:], 0) + 5
	if end < 5 || len(key) != end+1+12 {
		return
	}
	return day, key[5:end], binary.BigEndian.Uint32(key[end+1:]), binary.BigEndian.Uint64(key[end+5:]), true
}

func dayPrefix(kind byte, day uint32) []byte {
	return binary.BigEndian.AppendUint32([]byte{kind}, day)
}

func seqKey(kind byte, seq uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte{kind}, seq)
}

// parseSummaryKey takes apart the key of a day of summaries.
func parseSummaryKey(key []byte) (day uint32, machine []byte, ok bool) {
	if len(key) < 6 || key[len(key)-1] != 0 {
		return
	}
	return binary.BigEndian.Uint32(key[1:]), key[5 : len(key)-1], true
}
