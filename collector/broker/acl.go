package broker

import "strings"

// mayPublish reports whether an account may publish to a topic: only to
// {root}/{site}/{machine}/… of what it was granted. No account: whatever is
// below the root.
func mayPublish(c *Credentials, user, root, topic string) bool {
	rest, ok := strings.CutPrefix(topic, root+"/")
	if !ok || strings.Count(rest, "/") < 2 {
		return false
	}
	if c == nil {
		return true
	}
	a := c.accounts[user]
	if a == nil {
		return false
	}
	for _, grant := range a.publish {
		if grant == "*" || strings.HasPrefix(rest, grant+"/") {
			return true
		}
	}
	return false
}

// mayRead reports whether an account may subscribe to a filter: what it may
// publish below, and the filters granted for reading.
func mayRead(c *Credentials, user, root, filter string) bool {
	if c == nil {
		return true
	}
	a := c.accounts[user]
	if a == nil {
		return false
	}
	for _, grant := range a.publish {
		if grant == "*" {
			grant = "#"
		} else {
			grant += "/#"
		}
		if covers(root+"/"+grant, filter) {
			return true
		}
	}
	for _, granted := range a.read {
		if covers(granted, filter) {
			return true
		}
	}
	return false
}

// covers reports whether every topic that filter matches is matched by granted.
func covers(granted, filter string) bool {
	g, f := strings.Split(granted, "/"), strings.Split(filter, "/")
	for i, level := range g {
		switch {
		case level == "#":
			return i > 0 || !strings.HasPrefix(f[0], "$")
		case i >= len(f) || f[i] == "#":
			return false
		case level != "+" && level != f[i]:
			return false
		}
	}
	return len(g) == len(f)
}
