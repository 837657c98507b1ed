package procedure

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// at is a place in the YAML tree; its zero value is "not there". Its methods
// give nothing, rather than an error, where the tree has another shape: the
// schema has said so by then.
type at struct {
	n    *yaml.Node
	path string
}

func (a at) ok() bool { return a.n != nil }

// get returns the value of a key.
func (a at) get(key string) at {
	if a.n == nil || a.n.Kind != yaml.MappingNode {
		return at{}
	}
	for i := 0; i+1 < len(a.n.Content); i += 2 {
		if a.n.Content[i].Value == key {
			return at{a.n.Content[i+1], join(a.path, key)}
		}
	}
	return at{}
}

// key returns the place of a key itself, for problems with the key.
func (a at) key(key string) at {
	if a.n == nil || a.n.Kind != yaml.MappingNode {
		return a
	}
	for i := 0; i+1 < len(a.n.Content); i += 2 {
		if a.n.Content[i].Value == key {
			return at{a.n.Content[i], join(a.path, key)}
		}
	}
	return a
}

// items returns the items of a sequence.
func (a at) items() []at {
	if a.n == nil || a.n.Kind != yaml.SequenceNode {
		return nil
	}
	out := make([]at, len(a.n.Content))
	for i, n := range a.n.Content {
		out[i] = at{n, fmt.Sprintf("%s[%d]", a.path, i)}
	}
	return out
}

func (a at) isMap() bool  { return a.n != nil && a.n.Kind == yaml.MappingNode }
func (a at) isList() bool { return a.n != nil && a.n.Kind == yaml.SequenceNode }

// text returns a scalar as it is written, so that 8.8 and 1.10 stay what they
// are; "" for anything else.
func (a at) text() string {
	if a.n == nil || a.n.Kind != yaml.ScalarNode || a.n.Tag == "!!null" {
		return ""
	}
	return strings.TrimSpace(a.n.Value)
}

// texts returns a list of scalars, or a single one as a list.
func (a at) texts() []string {
	if a.n != nil && a.n.Kind == yaml.ScalarNode {
		if t := a.text(); t != "" {
			return []string{t}
		}
		return nil
	}
	var out []string
	for _, it := range a.items() {
		if t := it.text(); t != "" {
			out = append(out, t)
		}
	}
	return out
}

// isText reports whether the schema sees a text here that is not empty.
func (a at) isText() bool {
	if a.text() == "" {
		return false
	}
	_, ok := plain(a.n).(string)
	return ok
}

// number returns a finite number, or def if there is none.
func (a at) number(def float64) float64 {
	if f, ok := finiteAt(a); ok {
		return f
	}
	return def
}

func (a at) isTrue() bool {
	return a.n != nil && a.n.Kind == yaml.ScalarNode && a.n.Tag == "!!bool" && strings.EqualFold(a.n.Value, "true")
}

func finiteAt(a at) (float64, bool) {
	if a.n == nil || a.n.Kind != yaml.ScalarNode {
		return 0, false
	}
	return finite(a.n)
}

func finite(n *yaml.Node) (float64, bool) {
	if n.Tag != "!!int" && n.Tag != "!!float" {
		return 0, false
	}
	f, err := strconv.ParseFloat(n.Value, 64)
	return f, err == nil && !math.IsInf(f, 0) && !math.IsNaN(f)
}

// plain turns the tree into what a JSON schema is checked against.
func plain(n *yaml.Node) any {
	switch n.Kind {
	case yaml.MappingNode:
		m := make(map[string]any, len(n.Content)/2)
		for i := 0; i+1 < len(n.Content); i += 2 {
			m[n.Content[i].Value] = plain(n.Content[i+1])
		}
		return m
	case yaml.SequenceNode:
		l := make([]any, len(n.Content))
		for i, c := range n.Content {
			l[i] = plain(c)
		}
		return l
	}
	if f, ok := finite(n); ok {
		return f
	}
	switch n.Tag {
	case "!!null":
		return nil
	case "!!bool":
		return strings.EqualFold(n.Value, "true")
	}
	return n.Value
}

// find follows a location that the schema check gave, as far as it goes.
func find(root at, location []string) at {
	for _, key := range location {
		next := root.get(key)
		if i, err := strconv.Atoi(key); err == nil && root.isList() && i >= 0 && i < len(root.n.Content) {
			next = root.items()[i]
		}
		if !next.ok() {
			return root
		}
		root = next
	}
	return root
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
