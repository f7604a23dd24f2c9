package broker

import (
	"bufio"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/bcrypt"
)

// Cost of a new hash. Source: OWASP password storage guidance, argon2id
// m = 19 MiB, t = 2, p = 1 (numbers from memory).
const (
	hashMemory  = 19 << 10 // KiB
	hashTime    = 2
	hashThreads = 1
	hashLength  = 32
	// maxHashMemory keeps a line of the file from taking all memory.
	maxHashMemory = 256 << 10 // KiB
)

// Credentials are the accounts of machines and gateways, from a file with a
// line each:
//
//	# user      hash           may publish below, comma-separated
//	cab-0417    $argon2id$…    oakmill/cab-0417
//	gw-oakmill  $argon2id$…    oakmill            every machine of the site
//	uplink      $2b$…          *                  every machine of the fleet
//	dashboard   $argon2id$…    read:cabinets/#    may only subscribe
type Credentials struct {
	accounts map[string]*account
	slots    chan struct{} // bounds the memory and cores that hashing takes
	key      []byte
	mu       sync.Mutex        // guards verified
	verified map[string][]byte // user → HMAC of the password that was right
}

type account struct {
	hash    string
	publish []string // {site} or {site}/{machine}; "*" is all
	read    []string // topic filters
}

// ReadCredentials reads the accounts; name is for messages. Every problem is
// reported, with its line.
func ReadCredentials(r io.Reader, name string) (*Credentials, error) {
	c := &Credentials{
		accounts: map[string]*account{}, slots: make(chan struct{}, runtime.GOMAXPROCS(0)),
		key: make([]byte, 32), verified: map[string][]byte{},
	}
	if _, err := rand.Read(c.key); err != nil {
		return nil, err
	}
	var errs []error
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("%s:%d: %w", name, n, fmt.Errorf(format, args...)))
		}
		fields := strings.Fields(line)
		if len(fields) != 3 {
			bad("%d fields; write user, hash and what may be published, separated by blanks", len(fields))
			continue
		}
		user := fields[0]
		if c.accounts[user] != nil {
			bad("user %q is here twice; remove one line", user)
			continue
		}
		if err := checkHash(fields[1]); err != nil {
			bad("user %q: %w", user, err)
		}
		a := &account{hash: fields[1]}
		for _, grant := range strings.Split(fields[2], ",") {
			if filter, ok := strings.CutPrefix(grant, "read:"); ok && filter != "" {
				a.read = append(a.read, filter)
			} else if levels := strings.Split(grant, "/"); grant == "*" || len(levels) <= 2 && !strings.ContainsAny(grant, "+#") && levels[0] != "" && levels[len(levels)-1] != "" {
				a.publish = append(a.publish, grant)
			} else {
				bad("user %q: %q is not a grant; write site, site/machine, * or read:filter", user, grant)
			}
		}
		c.accounts[user] = a
	}
	if err := lines.Err(); err != nil {
		errs = append(errs, fmt.Errorf("%s: %w", name, err))
	}
	return c, errors.Join(errs...)
}

// Verify reports whether the password is the user's. Hashing is slow by
// design, so a password found right is remembered as a keyed digest: after an
// outage of the network a whole fleet comes back at once.
func (c *Credentials) Verify(user string, password []byte) bool {
	mac := hmac.New(sha256.New, c.key)
	mac.Write(password)
	digest := mac.Sum(nil)
	a := c.accounts[user]
	c.mu.Lock()
	known := c.verified[user]
	c.mu.Unlock()
	if a != nil && known != nil && subtle.ConstantTimeCompare(known, digest) == 1 {
		return true
	}
	c.slots <- struct{}{}
	defer func() { <-c.slots }()
	if a == nil { // take as long as for a user that exists
		argon2.IDKey(password, c.key[:16], hashTime, hashMemory, hashThreads, hashLength)
		return false
	}
	if !matches(a.hash, password) {
		return false
	}
	c.mu.Lock()
	c.verified[user] = digest
	c.mu.Unlock()
	return true
}

// HashPassword returns the argon2id hash for a line of the credentials file.
func HashPassword(password string) (string, error) {
	if password == "" {
		return "", errors.New("the password is empty; give one, best a random one")
	}
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	key := argon2.IDKey([]byte(password), salt, hashTime, hashMemory, hashThreads, hashLength)
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashTime, hashThreads,
		b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

func checkHash(hash string) error {
	if strings.HasPrefix(hash, "$2") {
		if _, err := bcrypt.Cost([]byte(hash)); err != nil {
			return errors.New("the bcrypt hash is damaged; make it anew")
		}
		return nil
	}
	if _, ok := parseArgon2(hash); !ok {
		return errors.New("the second field must be an argon2id or bcrypt hash, never the password itself; make it with coilward user")
	}
	return nil
}

func matches(hash string, password []byte) bool {
	if strings.HasPrefix(hash, "$2") {
		return bcrypt.CompareHashAndPassword([]byte(hash), password) == nil
	}
	p, ok := parseArgon2(hash)
	return ok && subtle.ConstantTimeCompare(p.key,
		argon2.IDKey(password, p.salt, p.time, p.memory, p.threads, uint32(len(p.key)))) == 1
}

type argon2Hash struct {
	memory, time uint32
	threads      uint8
	salt, key    []byte
}

// parseArgon2 reads the PHC string form.
func parseArgon2(hash string) (h argon2Hash, ok bool) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return h, false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memory, &h.time, &h.threads); err != nil {
		return h, false
	}
	var err1, err2 error
	h.salt, err1 = base64.RawStdEncoding.DecodeString(parts[4])
	h.key, err2 = base64.RawStdEncoding.DecodeString(parts[5])
	return h, err1 == nil && err2 == nil && len(h.salt) >= 8 && len(h.key) >= 16 &&
		h.memory > 0 && h.memory <= maxHashMemory && h.time > 0 && h.time <= 10 && h.threads > 0
}
