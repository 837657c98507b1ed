package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"witnessmark/events"
)

// Cost is what one look at a secret costs.
type Cost struct {
	Passes  uint32
	Memory  uint32 // KiB
	Threads uint8
}

// usualCost is the second recommended choice of RFC 9106, section 4: three
// passes over 64 MiB with four lanes, 128-bit salt, 256-bit tag.
var usualCost = Cost{Passes: 3, Memory: 64 << 10, Threads: 4}

const (
	saltBytes = 16
	tagBytes  = 32
	// leastSecret is short for a passphrase; tries are limited, and a code on a
	// badge has to fit there.
	leastSecret = 8
	mostSecret  = 200
)

// hasher computes few hashes at a time: each takes much memory.
type hasher struct {
	cost Cost
	turn chan struct{}
	// idle is compared with where there is no person, so that it takes as long.
	idle string
}

func newHasher(cost Cost) *hasher {
	if cost == (Cost{}) {
		cost = usualCost
	}
	h := &hasher{cost: cost, turn: make(chan struct{}, 2)}
	h.idle = h.write(make([]byte, saltBytes), make([]byte, tagBytes))
	return h
}

// make returns the hash of secret with a new salt, in the usual text form:
// $argon2id$v=19$m=65536,t=3,p=4$salt$tag.
func (h *hasher) make(ctx context.Context, secret string) (string, error) {
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails
	if err := h.wait(ctx); err != nil {
		return "", err
	}
	defer func() { <-h.turn }()
	return h.write(salt, argon2.IDKey([]byte(secret), salt, h.cost.Passes, h.cost.Memory, h.cost.Threads, tagBytes)), nil
}

func (h *hasher) wait(ctx context.Context) error {
	select {
	case h.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

var plain = base64.RawStdEncoding

func (h *hasher) write(salt, tag []byte) string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.cost.Memory, h.cost.Passes, h.cost.Threads, plain.EncodeToString(salt), plain.EncodeToString(tag))
}

// good reports whether secret belongs to hash; "" is no hash, and never good.
func (h *hasher) good(ctx context.Context, hash, secret string) (bool, error) {
	there := hash != ""
	if !there {
		hash = h.idle
	}
	cost, salt, tag, err := readHash(hash)
	if err != nil {
		return false, err
	}
	if err := h.wait(ctx); err != nil {
		return false, err
	}
	defer func() { <-h.turn }()
	got := argon2.IDKey([]byte(secret), salt, cost.Passes, cost.Memory, cost.Threads, uint32(len(tag)))
	return subtle.ConstantTimeCompare(got, tag) == 1 && there, nil
}

func readHash(s string) (c Cost, salt, tag []byte, err error) {
	parts := strings.Split(s, "$")
	var version int
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return c, nil, nil, errors.New("read hash of a secret: it has another form")
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return c, nil, nil, errors.New("read hash of a secret: it has another version")
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.Memory, &c.Passes, &c.Threads); err != nil || c.Passes == 0 || c.Threads == 0 || c.Memory > 1<<20 || c.Passes > 100 {
		return c, nil, nil, errors.New("read hash of a secret: its cost cannot be read")
	}
	salt, err1 := plain.DecodeString(parts[4])
	tag, err2 := plain.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(tag) < 16 {
		return c, nil, nil, errors.New("read hash of a secret: salt or tag cannot be read")
	}
	return c, salt, tag, nil
}

// WeakError says why a secret is not taken.
type WeakError struct{ Text, Todo string }

// Error implements error.
func (e *WeakError) Error() string { return e.Text + " " + e.Todo }

// fit refuses secrets that others can know: the badges and short codes of the
// shop file are in the journal for everybody to read.
func fit(secret string, people []events.Person) error {
	if !utf8.ValidString(secret) || strings.ContainsFunc(secret, func(r rune) bool { return r < ' ' }) {
		return &WeakError{"The secret holds characters that cannot be typed.", "Use letters, digits and signs."}
	}
	switch n := utf8.RuneCountInString(secret); {
	case n < leastSecret:
		return &WeakError{fmt.Sprintf("The secret is shorter than %d characters.", leastSecret), "Take a few words, or a badge with a longer code."}
	case len(secret) > mostSecret:
		return &WeakError{fmt.Sprintf("The secret is longer than %d bytes.", mostSecret), "Take a shorter one."}
	}
	low := strings.ToLower(strings.TrimSpace(secret))
	for _, p := range people {
		for _, open := range []string{p.ID, p.Name, p.Badge, p.Code} {
			if open != "" && low == strings.ToLower(open) {
				return &WeakError{"The secret is a name, badge or code of the shop file.", "Those can be read by everybody. Take another one: a badge for signing in needs a code that stands nowhere else."}
			}
		}
	}
	return nil
}

// token draws a random token of 160 bits.
func token() string {
	b := make([]byte, 20)
	_, _ = rand.Read(b) // never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

// fingerprint is what is kept of a random token: it cannot be guessed, so a
// plain hash will do.
func fingerprint(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

func sameText(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// code draws a code for people to type: groups of four characters, five bits
// each, without those that look alike.
func code(groups int) string {
	const letters = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789" // 32 of them
	b := make([]byte, groups*4)
	_, _ = rand.Read(b) // never fails
	var s strings.Builder
	for i, x := range b {
		if i > 0 && i%4 == 0 {
			s.WriteByte('-')
		}
		s.WriteByte(letters[x&31])
	}
	return s.String()
}

// codeOf reads a code as people type it.
func codeOf(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return -1
	}, s)
}
