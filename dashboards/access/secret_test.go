package access

import (
	"context"
	"encoding/hex"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/crypto/argon2"
	"pgregory.net/rapid"

	"witnessmark/events"
)

var cheap = Cost{Passes: 1, Memory: 64, Threads: 1}

// The vectors for argon2id, version 0x13, of the reference implementation that
// RFC 9106 names (github.com/P-H-C/phc-winner-argon2, src/test.c), each with
// the salt "somesalt" and a tag of 32 bytes, read back by our own reader of
// hashes. Two more of its vectors need 256 MiB and are left out.
func TestHashesOfTheReference(t *testing.T) {
	h := newHasher(cheap)
	for _, c := range []struct {
		cost        Cost
		secret, tag string
	}{
		{Cost{2, 65536, 1}, "password", "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
		{Cost{2, 256, 1}, "password", "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
		{Cost{2, 256, 2}, "password", "6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037"},
		{Cost{1, 65536, 1}, "password", "f6a5adc1ba723dddef9b5ac1d464e180fcd9dffc9d1cbf76cca2fed795d9ca98"},
		{Cost{4, 65536, 1}, "password", "9025d48e68ef7395cca9079da4c4ec3affb3c8911fe4f86d1a2520856f63172c"},
		{Cost{2, 65536, 1}, "differentpassword", "0b84d652cf6b0c4beaef0dfe278ba6a80df6696281d7e0d2891b817d8c458fde"},
	} {
		tag, err := hex.DecodeString(c.tag)
		if err != nil {
			t.Fatal(err)
		}
		got := argon2.IDKey([]byte(c.secret), []byte("somesalt"), c.cost.Passes, c.cost.Memory, c.cost.Threads, 32)
		if hex.EncodeToString(got) != c.tag {
			t.Errorf("%+v %q: got %x, want %s", c.cost, c.secret, got, c.tag)
		}
		text := (&hasher{cost: c.cost}).write([]byte("somesalt"), tag)
		if good, err := h.good(t.Context(), text, c.secret); err != nil || !good {
			t.Errorf("%s with its secret: %v, %v", text, good, err)
		}
		if good, err := h.good(t.Context(), text, c.secret+" "); err != nil || good {
			t.Errorf("%s with another secret: %v, %v", text, good, err)
		}
	}
	// The reference's text form of the second vector, src/test.c.
	if good, err := h.good(t.Context(), "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "password"); err != nil || !good {
		t.Errorf("the reference's own text: %v, %v", good, err)
	}
}

// RFC 9106, section 5.3, gives one vector for argon2id, with a key and
// associated data that no exported function of the library takes. The library's
// own test runs it; here that test is held to the tag that the RFC prints, and
// run against the version that we build with.
func TestLibraryHoldsRFC9106(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a test of the library")
	}
	out, err := exec.Command("go", "list", "-f", "{{.Dir}}", "golang.org/x/crypto/argon2").Output()
	if err != nil {
		t.Fatalf("find the library: %v", err)
	}
	b, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(out)), "argon2_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ToLower(string(b))
	for _, x := range []string{"\n", "\t", " ", "0x", ","} {
		text = strings.ReplaceAll(text, x, "")
	}
	if !strings.Contains(text, "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659") {
		t.Fatal("the library's test does not hold the tag of RFC 9106, section 5.3")
	}
	got, err := exec.Command("go", "test", "-count=1", "-v", "-run", "^TestArgon2$", "golang.org/x/crypto/argon2").CombinedOutput()
	if err != nil || !strings.Contains(string(got), "--- PASS: TestArgon2 ") {
		t.Errorf("the library against RFC 9106: %v\n%s", err, got)
	}
}

// RFC 9106, section 4: the second recommended option is t=3, p=4, m=2^16 KiB,
// a salt of 128 bits and a tag of 256.
func TestUsualCost(t *testing.T) {
	text, err := newHasher(Cost{}).make(t.Context(), "correct horse")
	if err != nil {
		t.Fatal(err)
	}
	cost, salt, tag, err := readHash(text)
	if err != nil || cost != (Cost{Passes: 3, Memory: 65536, Threads: 4}) || len(salt)*8 != 128 || len(tag)*8 != 256 {
		t.Errorf("%s: %+v, salt of %d bits, tag of %d, %v", text, cost, len(salt)*8, len(tag)*8, err)
	}
}

func TestHashProperties(t *testing.T) {
	h := newHasher(cheap)
	seen := map[string]bool{}
	rapid.Check(t, func(t *rapid.T) {
		secret, other := rapid.String().Draw(t, "secret"), rapid.String().Draw(t, "other")
		text, err := h.make(context.Background(), secret)
		if err != nil {
			t.Fatal(err)
		}
		if seen[text] {
			t.Fatalf("%s came twice: the salt is not new", text)
		}
		seen[text] = true
		for s, want := range map[string]bool{secret: true, other: secret == other} {
			if good, err := h.good(context.Background(), text, s); err != nil || good != want {
				t.Fatalf("%q against the hash of %q: %v, %v", s, secret, good, err)
			}
		}
		if good, err := h.good(context.Background(), "", secret); err != nil || good {
			t.Fatalf("no hash and %q: %v, %v", secret, good, err)
		}
	})
}

// A hash that somebody wrote into the file by hand costs an error, never a
// panic, and never more than a gibibyte.
func TestBadHashes(t *testing.T) {
	h := newHasher(cheap)
	good, err := h.make(t.Context(), "correct horse")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"argon2i": strings.Replace(good, "argon2id", "argon2i", 1), "another version": strings.Replace(good, "v=19", "v=16", 1),
		"no pass": strings.Replace(good, "t=1", "t=0", 1), "no lane": strings.Replace(good, "p=1", "p=0", 1), "256 lanes": strings.Replace(good, "p=1", "p=256", 1),
		"2 GiB": strings.Replace(good, "m=64", "m=2097152", 1), "a day of passes": strings.Replace(good, "t=1", "t=1000000", 1), "negative": strings.Replace(good, "t=1", "t=-1", 1),
		"no tag": good[:strings.LastIndex(good, "$")+1], "cut": good[:20], "one more part": good + "$", "plain": "correct horse", "short salt": "$argon2id$v=19$m=64,t=1,p=1$AAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
	} {
		if ok, err := h.good(t.Context(), text, "correct horse"); err == nil || ok {
			t.Errorf("%s (%s): %v, %v; want an error", name, text, ok, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		b := []byte(good)
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "to")
		}
		if c, _, _, err := readHash(string(b)); err == nil && (c.Memory > 1<<20 || c.Passes > 100 || c.Passes == 0 || c.Threads == 0) {
			t.Fatalf("%q is read with a cost of %+v", b, c)
		}
	})
}

// A crowd at the door does not take more memory than two hashes do; who gives
// up waits no longer.
func TestHashesInTurn(t *testing.T) {
	h := newHasher(cheap)
	h.turn <- struct{}{}
	h.turn <- struct{}{}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.make(ctx, "correct horse"); !errors.Is(err, context.Canceled) {
		t.Errorf("a third hash at once: %v, want that it waits", err)
	}
	<-h.turn
	if _, err := h.make(t.Context(), "correct horse"); err != nil {
		t.Error(err)
	}
}

func TestFitSecrets(t *testing.T) {
	people := []events.Person{{ID: "ines", Name: "Ines Varga", Badge: "FD-0407-X1", Code: "IV"}, {ID: "longest-id", Name: "Maren Holt"}}
	for secret, want := range map[string]bool{
		"1234567": false, "12345678": true, "äöüßäöüß": true, "äöüßäöü": false, strings.Repeat("x", mostSecret): true, strings.Repeat("x", mostSecret+1): false,
		"ines varga": false, " Ines Varga ": false, "fd-0407-x1": false, "LONGEST-ID": false, "Ines Varga!": true, "correct\nhorse": false, "correct\x00horse": false, "correct\xffhorse": false, "correct horse": true,
	} {
		err := fit(secret, people)
		var weak *WeakError
		if (err == nil) != want || err != nil && !errors.As(err, &weak) {
			t.Errorf("%q: %v, want taken: %v", secret, err, want)
		}
		if err != nil && strings.Contains(err.Error(), secret) {
			t.Errorf("the refusal of %q repeats it: %v", secret, err)
		}
	}
}

// Codes and tokens: of the promised form and size, never twice, read as people
// type them.
func TestCodesAndTokens(t *testing.T) {
	seen := map[string]bool{}
	letters := map[rune]int{}
	for range 2000 {
		c, k := code(4), token()
		if len(c) != 19 || seen[c] || seen[k] || len(k) != 27 { // 160 bits in base64
			t.Fatalf("code %q, token %q", c, k)
		}
		seen[c], seen[k] = true, true
		plain := codeOf(c)
		if len(plain) != 16 || codeOf(strings.ToLower(c)) != plain || codeOf(" "+strings.ReplaceAll(c, "-", " ")+"\t") != plain {
			t.Fatalf("code %q is not read as it is typed", c)
		}
		for _, r := range plain {
			letters[r]++
		}
	}
	if len(letters) != 32 { // five bits each
		t.Errorf("codes are drawn from %d letters, want 32", len(letters))
	}
	for r, n := range letters {
		if strings.ContainsRune("O0I1", r) {
			t.Errorf("letter %c is mistaken for another", r)
		}
		if n < 800 || n > 1200 { // 1,000 expected, standard deviation 31: more than six of them
			t.Errorf("letter %c came %d times in 32,000", r, n)
		}
	}
	if fingerprint("a") == fingerprint("b") || strings.Contains(fingerprint("abcdef"), "abcdef") {
		t.Error("a fingerprint tells its token")
	}
	// FIPS 180-2, appendix B.1: the SHA-256 of "abc".
	if got := fingerprint("abc"); got != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Error("fingerprint of abc:", got)
	}
}
