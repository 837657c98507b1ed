package profile

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"witnessmark/events/quantity"
)

// reader walks the YAML tree of one file and notes all problems.
type reader struct {
	file     string
	problems Problems
}

// node is a place in the tree. The zero node is "not there"; reading it gives
// the zero value and no problem.
type node struct {
	r    *reader
	y    *yaml.Node
	path string
}

func (n node) ok() bool { return n.y != nil }

// wrong notes a problem at n.
func (n node) wrong(want, what string, args ...any) {
	line, col := 1, 1
	if n.y != nil {
		line, col = n.y.Line, n.y.Column
	}
	n.r.problems = append(n.r.problems, Problem{n.r.file, line, col, n.path, fmt.Sprintf(what, args...), want})
}

// keys checks that n is a map with known keys, each once, the required ones
// among them (those are marked with "!"), and returns what is there.
func (n node) keys(known ...string) map[string]node {
	got := map[string]node{}
	if !n.ok() {
		return got
	}
	if n.y.Kind != yaml.MappingNode {
		n.wrong("write keys and values, such as {"+strings.TrimSuffix(known[0], "!")+": …}", "it is %s", describe(n.y))
		return got
	}
	required := []string{}
	for i, k := range known {
		if name, ok := strings.CutSuffix(k, "!"); ok {
			known[i] = name
			required = append(required, name)
		}
	}
	for k, v := range n.pairs() {
		if !slices.Contains(known, k.y.Value) {
			k.wrong(choose(k.y.Value, known), "key %q is not known here", k.y.Value)
			continue
		}
		got[k.y.Value] = v
	}
	for _, k := range required {
		if !got[k].ok() {
			n.wrong("add "+k, "%s is missing", k)
		}
	}
	for _, k := range known {
		if !got[k].ok() {
			got[k] = node{r: n.r, path: join(n.path, k)}
		}
	}
	return got
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// pairs goes through a map in the order of the file. A key that is there
// twice is a problem.
func (n node) pairs() func(yield func(k, v node) bool) {
	return func(yield func(k, v node) bool) {
		seen := map[string]bool{}
		for i := 0; i+1 < len(n.y.Content); i += 2 {
			k, v := n.y.Content[i], n.y.Content[i+1]
			path := join(n.path, k.Value)
			kn := node{n.r, k, path}
			if k.Kind != yaml.ScalarNode {
				kn.wrong("write a plain word", "a key is %s", describe(k))
				continue
			}
			if seen[k.Value] {
				kn.wrong("leave one of them", "key %q is there twice", k.Value)
				continue
			}
			seen[k.Value] = true
			if !yield(kn, node{n.r, v, path}) {
				return
			}
		}
	}
}

// list returns the elements of a sequence.
func (n node) list() []node {
	if !n.ok() {
		return nil
	}
	if n.y.Kind != yaml.SequenceNode {
		n.wrong("write a list, each item after '-'", "it is %s", describe(n.y))
		return nil
	}
	out := make([]node, len(n.y.Content))
	for i, y := range n.y.Content {
		out[i] = node{n.r, y, fmt.Sprintf("%s[%d]", n.path, i)}
	}
	return out
}

func describe(y *yaml.Node) string {
	switch y.Kind {
	case yaml.MappingNode:
		return "a map"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "an alias, which profiles do not know"
	case yaml.ScalarNode:
		return fmt.Sprintf("%q", y.Value)
	}
	return "empty"
}

// text returns a scalar as written.
func (n node) text() string {
	if !n.ok() {
		return ""
	}
	if n.y.Kind != yaml.ScalarNode || n.y.Tag == "!!null" {
		n.wrong("write a plain value", "it is %s", describe(n.y))
		return ""
	}
	return n.y.Value
}

// word returns one of a few words; fallback if n is not there.
func (n node) word(fallback string, known ...string) string {
	if !n.ok() {
		return fallback
	}
	s := n.text()
	if s != "" && !slices.Contains(known, s) {
		n.wrong(choose(s, known), "%q is not known here", s)
		return fallback
	}
	if s == "" {
		return fallback
	}
	return s
}

// whole returns a whole number from least to most; fallback if n is not there
// or wrong.
func (n node) whole(fallback, least, most int) int {
	if !n.ok() {
		return fallback
	}
	s := n.text()
	i, err := strconv.Atoi(s)
	if err != nil || i < least || i > most {
		n.wrong(fmt.Sprintf("write a whole number from %d to %d", least, most), "it is %q", s)
		return fallback
	}
	return i
}

// truth returns true or false.
func (n node) truth() bool {
	return n.word("false", "true", "false") == "true"
}

// span of time, written as Go does: "600ms", "1.5s".
func (n node) duration(fallback, least, most time.Duration) time.Duration {
	if !n.ok() {
		return fallback
	}
	s := n.text()
	d, err := time.ParseDuration(s)
	if err != nil || d < least || d > most {
		n.wrong(fmt.Sprintf("write a time from %v to %v, such as 500ms or 1.5s", least, most), "it is %q", s)
		return fallback
	}
	return d
}

// bytes returns a string each of whose characters is one byte, as in
// "\x06\r": characters above ÿ are none.
func (n node) bytes(most int) []byte {
	var b []byte
	for _, c := range n.text() {
		if c > 0xFF {
			n.wrong(`write one character a byte, in double quotes, with \x00 to \xFF, \r and \n for those that do not print`, "%q is no byte", c)
			return nil
		}
		b = append(b, byte(c))
	}
	if len(b) > most {
		n.wrong(fmt.Sprintf("write at most %d bytes", most), "it has %d bytes", len(b))
		return nil
	}
	return b
}

// factor returns a number above zero, decimal and exact; 1 if n is not there.
func (n node) factor() number {
	one := number{mant: 1}
	if !n.ok() {
		return one
	}
	s := n.text()
	x, below, reason := readDecimal([]byte(s), '.')
	for x.dec > 0 && x.mant%10 == 0 {
		x.mant /= 10
		x.dec--
	}
	if reason != "" || below || x.mant <= 0 || x.mant > 999_999_999 || x.dec > 12 {
		n.wrong("write a number above zero in decimals, such as 0.01", "factor %q cannot be used", s)
		return one
	}
	return x
}

// unit returns a unit, as people write it.
func (n node) unit() quantity.Unit {
	if !n.ok() {
		return quantity.Unit{}
	}
	var u quantity.Unit
	s := n.text()
	if err := u.UnmarshalText([]byte(s)); err != nil || u.IsZero() {
		n.wrong("write a unit such as N·m, lbf·ft, mm or in", "%q is no unit known here", s)
	}
	return u
}

// quantity returns a quantity, as people write it; suffix, such as "/s", is
// cut off where it is there.
func (n node) quantity(suffix string) quantity.Value {
	if !n.ok() {
		return quantity.Value{}
	}
	s := n.text()
	sign := 1.0
	body := strings.TrimSpace(strings.TrimSuffix(s, suffix))
	if rest, ok := strings.CutPrefix(body, "-"); ok {
		sign, body = -1, rest
	}
	v, _, err := quantity.Parse(body)
	if err != nil || math.IsNaN(v.Base()) {
		n.wrong("write a number and a unit, such as 0.003 mm"+suffix, "%v", err)
		return quantity.Value{}
	}
	return v.WithBase(sign * v.Base())
}

// isTable reports whether n is a map.
func (n node) isTable() bool { return n.y.Kind == yaml.MappingNode }
