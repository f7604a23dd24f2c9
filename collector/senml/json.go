package senml

import (
	"encoding/base64"
	"encoding/json"
	"unicode/utf8"
)

// maxDepth bounds the nesting of values that are skipped.
const maxDepth = 32

// special marks the bytes that end the plain run of a string: the quote, the
// backslash, control characters and everything outside ASCII.
var special = func() (t [256]bool) {
	for c := range t {
		t[c] = c < 0x20 || c == '"' || c == '\\' || c >= 0x80
	}
	return t
}()

// decodeJSON reads RFC 8259 text. The scanner is written by hand for speed; a
// fuzz test holds it against encoding/json.
func (d *Decoder) decodeJSON(data []byte) error {
	i := space(data, 0)
	if i >= len(data) || data[i] != '[' {
		return &SyntaxError{i, "a pack starts with '['"}
	}
	if end := space(data, i+1); end < len(data) && data[end] == ']' {
		return &SyntaxError{end, "a pack holds at least one record"}
	}
	for {
		i = space(data, i+1)
		r, err := d.grow()
		if err != nil {
			return err
		}
		if i < len(data) && data[i] == '{' {
			i, err = d.object(data, i+1, r)
		} else {
			r.fail(NotARecord, N)
			i, err = skipJSON(data, i, maxDepth)
		}
		if err != nil {
			return err
		}
		i = space(data, i)
		switch {
		case i >= len(data):
			return &SyntaxError{i, "the pack ends before its ']'"}
		case data[i] == ',':
		case data[i] == ']':
			if i = space(data, i+1); i != len(data) {
				return &SyntaxError{i, "there is something after the pack"}
			}
			return nil
		default:
			return &SyntaxError{i, "',' or ']' should follow a record"}
		}
	}
}

// object reads the fields of a record from behind its brace to behind its
// other brace.
func (d *Decoder) object(data []byte, i int, r *Record) (int, error) {
	if i = space(data, i); i < len(data) && data[i] == '}' {
		return i + 1, nil
	}
	for {
		if i >= len(data) || data[i] != '"' {
			return i, &SyntaxError{i, "a label in quotes belongs here"}
		}
		// The labels we know are short and plain: look for their closing quote
		// without a call.
		var key []byte
		if i+2 < len(data) && data[i+2] == '"' && !special[data[i+1]] {
			key, i = data[i+1:i+2], i+3
		} else if i+3 < len(data) && data[i+3] == '"' && !special[data[i+1]] && !special[data[i+2]] {
			key, i = data[i+1:i+3], i+4
		} else {
			var err error
			if key, i, err = d.str(data, i+1); err != nil {
				return i, err
			}
		}
		if i >= len(data) || data[i] != ':' {
			if i = space(data, i); i >= len(data) || data[i] != ':' {
				return i, &SyntaxError{i, "':' should follow a label"}
			}
		}
		i = space(data, i+1)
		var err error
		if i, err = d.field(data, i, r, key); err != nil {
			return i, err
		}
		i = space(data, i)
		switch {
		case i >= len(data):
			return i, &SyntaxError{i, "a record ends before its '}'"}
		case data[i] == ',':
			i = space(data, i+1)
		case data[i] == '}':
			return i + 1, nil
		default:
			return i, &SyntaxError{i, "',' or '}' should follow a value"}
		}
	}
}

// field reads the value of one field into r.
func (d *Decoder) field(data []byte, i int, r *Record, key []byte) (int, error) {
	l, known := labelOf(key)
	if !known {
		if len(key) > 0 && key[len(key)-1] == '_' {
			r.fail(MustUnderstand, N)
		}
		return skipJSON(data, i, maxDepth)
	}
	if (r.Has | r.Bad).Has(l) {
		r.spoil(Twice, l)
		return skipJSON(data, i, maxDepth)
	}
	var c byte
	if i < len(data) {
		c = data[i]
	}
	if number := r.number(l); number != nil && (c == '-' || c-'0' <= 9) {
		v, end, ok := scanNumber(data, i)
		if ok {
			*number = v
			r.Has = r.Has.With(l)
			return end, nil
		}
		if end > i {
			r.spoil(NotFinite, l)
			return end, nil
		}
	}
	if text := r.text(l); text != nil && c == '"' {
		b, end, err := d.str(data, i+1)
		*text = b
		r.Has = r.Has.With(l)
		return end, err
	}
	switch {
	case l == VB && literal(data, i, "true"):
		r.Bool = true
		r.Has = r.Has.With(l)
		return i + 4, nil
	case l == VB && literal(data, i, "false"):
		r.Has = r.Has.With(l)
		return i + 5, nil
	case l == VD && c == '"':
		b, end, err := d.str(data, i+1)
		if err != nil {
			return end, err
		}
		start := len(d.strings)
		d.strings, err = base64.RawURLEncoding.AppendDecode(d.strings, b)
		if err != nil {
			r.spoil(WrongType, l)
			return end, nil
		}
		r.Data = d.strings[start:]
		r.Has = r.Has.With(l)
		return end, nil
	case l == BVer && c-'0' <= 9:
		v, end, ok := scanNumber(data, i)
		if !ok || v != float64(int32(v)) {
			r.spoil(WrongType, l)
			return max(end, i), nil
		}
		r.BaseVersion = int(v)
		r.Has = r.Has.With(l)
		return end, nil
	}
	if number := r.number(l); number != nil && notFinite(data, i) > 0 {
		r.spoil(NotFinite, l)
	} else {
		r.spoil(WrongType, l)
	}
	return skipJSON(data, i, maxDepth)
}

// str reads a string from behind its quote to behind its other quote. The
// bytes are of data where it has no escapes.
func (d *Decoder) str(data []byte, i int) (s []byte, end int, err error) {
	for end = i; end < len(data); end++ {
		if special[data[end]] {
			break
		}
	}
	if end < len(data) && data[end] == '"' {
		return data[i:end], end + 1, nil
	}
	return d.oddString(data, i)
}

// oddString reads what str does not: strings with escapes or with characters
// outside ASCII, and broken ones.
func (d *Decoder) oddString(data []byte, i int) (s []byte, end int, err error) {
	start, escaped, high := i, false, false
	for i < len(data) {
		c := data[i]
		switch {
		case !special[c]:
		case c == '"':
			if high && !utf8.Valid(data[start:i]) {
				return nil, i, &SyntaxError{start, "a string is not UTF-8"}
			}
			if escaped {
				return d.unescape(data, start, i)
			}
			return data[start:i], i + 1, nil
		case c == '\\':
			escaped = true
			i++
		case c < 0x20:
			return nil, i, &SyntaxError{i, "a control character stands in a string"}
		default:
			high = true
		}
		i++
	}
	return nil, len(data), &SyntaxError{len(data), "a string has no closing quote"}
}

// unescape undoes the escapes of the string data[start:end].
func (d *Decoder) unescape(data []byte, start, end int) ([]byte, int, error) {
	var s string
	if json.Unmarshal(data[start-1:end+1], &s) != nil {
		return nil, start, &SyntaxError{start, "a string has an escape that JSON does not know"}
	}
	at := len(d.strings)
	d.strings = append(d.strings, s...)
	return d.strings[at:], end + 1, nil
}

// skipJSON passes over any value.
func skipJSON(data []byte, i, depth int) (int, error) {
	if i >= len(data) {
		return i, &SyntaxError{i, "a value is missing"}
	}
	switch c := data[i]; {
	case c == '"':
		var d Decoder
		_, end, err := d.str(data, i+1)
		return end, err
	case c == '{' || c == '[':
		return skipNested(data, i, depth)
	}
	for _, word := range [...]string{"true", "false", "null"} {
		if literal(data, i, word) {
			return i + len(word), nil
		}
	}
	if n := notFinite(data, i); n > 0 {
		return i + n, nil
	}
	if _, end, _ := scanNumber(data, i); end > i {
		return end, nil
	}
	return i, &SyntaxError{i, "this is no JSON value"}
}

// skipNested passes over an object or an array.
func skipNested(data []byte, i, depth int) (int, error) {
	if depth == 0 {
		return i, &SyntaxError{i, "values are nested too deep"}
	}
	object, closing := data[i] == '{', data[i]+2 // '}' is '{'+2, ']' is '['+2
	i = space(data, i+1)
	if i < len(data) && data[i] == closing {
		return i + 1, nil
	}
	for {
		var err error
		if object {
			if i >= len(data) || data[i] != '"' {
				return i, &SyntaxError{i, "a label in quotes belongs here"}
			}
			if i, err = skipJSON(data, i, depth); err != nil {
				return i, err
			}
			if i = space(data, i); i >= len(data) || data[i] != ':' {
				return i, &SyntaxError{i, "':' should follow a label"}
			}
			i = space(data, i+1)
		}
		if i, err = skipJSON(data, i, depth-1); err != nil {
			return i, err
		}
		i = space(data, i)
		switch {
		case i >= len(data):
			return i, &SyntaxError{i, "an object or an array has no end"}
		case data[i] == closing:
			return i + 1, nil
		case data[i] != ',':
			return i, &SyntaxError{i, "',' should follow a value"}
		}
		i = space(data, i+1)
	}
}

// notFinite returns the length of a word for NaN or an infinity at i, as
// printf, JavaScript and Python write them; 0 when there is none.
func notFinite(data []byte, i int) int {
	for _, word := range [...]string{"NaN", "nan", "Infinity", "inf"} {
		for _, sign := range [...]string{"", "-"} {
			if literal(data, i, sign) && literal(data, i+len(sign), word) {
				return len(sign) + len(word)
			}
		}
	}
	return 0
}

func literal(data []byte, i int, word string) bool {
	return i+len(word) <= len(data) && string(data[i:i+len(word)]) == word
}

// space passes over JSON's white space.
func space(data []byte, i int) int {
	for i < len(data) && (data[i] == ' ' || data[i] == '\n' || data[i] == '\r' || data[i] == '\t') {
		i++
	}
	return i
}
