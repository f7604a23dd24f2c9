package intake

import "strings"

// address is what a topic says.
type address struct {
	site, machine string
	status        bool // the status topic, not the readings topic
}

// parseTopic takes a topic of the form {root}/{site}/{machine}/readings or
// …/status apart. The parts share the topic's memory.
func parseTopic(root, topic string) (a address, ok bool) {
	rest, ok := strings.CutPrefix(topic, root)
	if !ok || rest == "" || rest[0] != '/' {
		return a, false
	}
	rest = rest[1:]
	var tail string
	if a.site, rest, ok = strings.Cut(rest, "/"); !ok {
		return a, false
	}
	if a.machine, tail, ok = strings.Cut(rest, "/"); !ok {
		return a, false
	}
	a.status = tail == "status"
	return a, (a.status || tail == "readings") && ValidID(a.site) && ValidID(a.machine)
}

// ValidID reports whether id may name a site or a machine:
// [A-Za-z0-9][A-Za-z0-9._-]{0,63}.
func ValidID(id string) bool {
	if len(id) == 0 || len(id) > 64 || idChars[id[0]] != idAlnum {
		return false
	}
	for i := 1; i < len(id); i++ {
		if idChars[id[i]] == 0 {
			return false
		}
	}
	return true
}

// Characters of an id: alphanumeric ones may start it.
const (
	idAlnum = 1 + iota
	idMark
)

var idChars = func() (t [256]uint8) {
	for c := range t {
		switch {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= '0' && c <= '9':
			t[c] = idAlnum
		case c == '.', c == '_', c == '-':
			t[c] = idMark
		}
	}
	return t
}()
