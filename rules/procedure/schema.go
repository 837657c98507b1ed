package procedure

import (
	"bytes"
	_ "embed" // the schema is part of the program
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/santhosh-tekuri/jsonschema/v6/kind"
)

//go:embed schema.json
var schemaText []byte

// Schema returns the JSON Schema (draft 2020-12) of the YAML form. It says
// which keys there are and what they hold; Parse checks more than a schema
// can say. Editors that know JSON Schema can help to write a procedure by it.
func Schema() []byte { return bytes.Clone(schemaText) }

const schemaURL = "urn:witnessmark:procedure:1"

type compiledSchema struct {
	schema *jsonschema.Schema
	doc    any // the same as a tree, for its descriptions
}

var compiled = sync.OnceValue(func() compiledSchema {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaText))
	if err != nil {
		panic(fmt.Sprintf("read own procedure schema: %v", err))
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(schemaURL, doc); err != nil {
		panic(fmt.Sprintf("add own procedure schema: %v", err))
	}
	return compiledSchema{c.MustCompile(schemaURL), doc}
})

// checkSchema reports where the tree departs from the schema.
func (r *reader) checkSchema(root at) {
	c := compiled()
	err := c.schema.Validate(plain(root.n))
	var v *jsonschema.ValidationError
	if errors.As(err, &v) {
		r.explain(root, v, nil, "")
	}
}

// explain walks down to the causes. hint is the outermost description that
// speaks of the place loc: it is the most particular one.
func (r *reader) explain(root at, v *jsonschema.ValidationError, loc []string, hint string) {
	here := v.InstanceLocation
	if d := described(v.SchemaURL); hint == "" || !slices.Equal(loc, here) {
		hint = d
	}
	_, one := v.ErrorKind.(*kind.OneOf)
	if len(v.Causes) > 0 && !one {
		for _, c := range v.Causes {
			r.explain(root, c, here, hint)
		}
		return
	}
	r.explainCause(find(root, here), last(here), v, hint)
}

func (r *reader) explainCause(p at, name string, v *jsonschema.ValidationError, hint string) {
	switch k := v.ErrorKind.(type) {
	case *kind.Required:
		for _, m := range k.Missing {
			r.err(p, fmt.Sprintf("%s missing", m), wantKey(v.SchemaURL, m))
		}
	case *kind.AdditionalProperties:
		known := keysOf(v.SchemaURL)
		for _, extra := range k.Properties {
			r.err(p.key(extra), fmt.Sprintf("unknown key %q", extra), oneOf(extra, known))
		}
	case *kind.Enum:
		r.err(p, fmt.Sprintf("%s %s is not known", name, show(p)), choose(p, k.Want, hint))
	case *kind.Type:
		r.wrongType(p, name, k, hint)
	case *kind.Not:
		r.err(p, fmt.Sprintf("%s does not belong here", name), hint)
	case *kind.OneOf:
		r.err(p, "where the fasteners stand is missing or said twice", "exactly one of: ring, rectangle, line, points")
	case *kind.MinItems, *kind.MinProperties:
		r.err(p, name+" is too short", hint)
	case *kind.MaxItems:
		r.err(p, fmt.Sprintf("%s has %d items", name, k.Got), fmt.Sprintf("%d at most", k.Want))
	case *kind.MaxLength:
		r.err(p, fmt.Sprintf("%s is %d characters long", name, k.Got), fmt.Sprintf("%d at most", k.Want))
	case *kind.Pattern:
		r.badText(p, name, v.SchemaURL, hint)
	case *kind.Minimum:
		r.err(p, fmt.Sprintf("%s %s is too small", name, p.text()), atLeast(hint, k.Want))
	case *kind.ExclusiveMinimum:
		r.err(p, fmt.Sprintf("%s %s is too small", name, p.text()), "above 0: "+hint)
	case *kind.Maximum:
		r.err(p, fmt.Sprintf("%s %s is too great", name, p.text()), fmt.Sprintf("%s at most: %s", number(k.Want), hint))
	default:
		r.err(p, fmt.Sprintf("%s is not as it must be", name), hint)
	}
}

func (r *reader) wrongType(p at, name string, k *kind.Type, hint string) {
	t := p.text()
	switch {
	case k.Got == "null":
		r.err(p, fmt.Sprintf("%s is empty", name), hint)
	case slices.Contains(k.Want, "number") && strings.Contains(t, ","):
		r.err(p, fmt.Sprintf("%s %q is not a number", name, t), fmt.Sprintf("a decimal point: %s", strings.Replace(t, ",", ".", 1)))
	case slices.Contains(k.Want, "number") && k.Got == "string", slices.Contains(k.Want, "integer") && k.Got == "string":
		r.err(p, fmt.Sprintf("%s %q is not a number", name, short(t)), hint)
	case k.Got == "number" && wantsUnit.MatchString(hint):
		r.err(p, fmt.Sprintf("%s %s has no unit", name, t), hint)
	case k.Got == "boolean" && slices.Contains(k.Want, "string"):
		r.err(p, fmt.Sprintf("%s %s is read as yes or no", name, t), fmt.Sprintf("quotes around it: %q", t))
	case k.Got == "number" && slices.Contains(k.Want, "integer"):
		r.err(p, fmt.Sprintf("%s %s is not a whole number", name, t), hint)
	default:
		r.err(p, fmt.Sprintf("%s is a %s", name, kindWord(k.Got)), hint)
	}
}

// wantsUnit finds the descriptions of values that are a number with a unit.
var wantsUnit = regexp.MustCompile(`with its unit|±|^a time`)

func (r *reader) badText(p at, name, url, hint string) {
	if p.text() == "" {
		r.err(p, name+" is empty", hint)
		return
	}
	if inner := described(url); inner != hint {
		hint += ": " + inner
	}
	r.err(p, fmt.Sprintf("%s %s is not allowed", name, show(p)), hint)
}

func kindWord(k string) string {
	switch k {
	case "object":
		return "mapping"
	case "array":
		return "list"
	case "string":
		return "text"
	case "boolean":
		return "yes or no"
	}
	return k
}

func choose(p at, want []any, hint string) string {
	var words []string
	for _, w := range want {
		if s, ok := w.(string); ok {
			words = append(words, s)
		}
	}
	if m := nearest(p.text(), words); m != "" {
		return fmt.Sprintf("did you mean %q?", m)
	}
	if hint != "" {
		return hint
	}
	return oneOf(p.text(), words)
}

func atLeast(hint string, want *big.Rat) string {
	return fmt.Sprintf("%s at least: %s", number(want), hint)
}

func number(r *big.Rat) string {
	if r == nil {
		return ""
	}
	f, _ := r.Float64()
	return strconv.FormatFloat(f, 'g', -1, 64)
}

// show gives a scalar in quotes, and says what it is otherwise.
func show(p at) string {
	if t := p.text(); t != "" {
		return strconv.Quote(short(t))
	}
	return "(no text)"
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

func last(loc []string) string {
	if len(loc) == 0 {
		return "the file"
	}
	if _, err := strconv.Atoi(loc[len(loc)-1]); err == nil && len(loc) > 1 {
		return "item of " + loc[len(loc)-2]
	}
	return loc[len(loc)-1]
}

// schemaPart returns the part of the schema at an address, nil if there is none.
func schemaPart(url string) map[string]any {
	_, pointer, _ := strings.Cut(url, "#")
	var part any = compiled().doc
	for _, key := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		if key == "" {
			continue
		}
		switch t := part.(type) {
		case map[string]any:
			part = t[key]
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(t) {
				return nil
			}
			part = t[i]
		}
	}
	m, _ := part.(map[string]any)
	return m
}

// described returns the description of a part of the schema, "" if none.
func described(url string) string {
	d, _ := schemaPart(url)["description"].(string)
	return d
}

// wantKey describes a key that is missing; for a condition, the description
// stands with the keys of the whole definition.
func wantKey(url, key string) string {
	for {
		props, _ := schemaPart(url)["properties"].(map[string]any)
		if p, ok := props[key].(map[string]any); ok {
			if d, ok := p["description"].(string); ok {
				return "add " + key + ": " + d
			}
			if ref, ok := p["$ref"].(string); ok {
				return "add " + key + ": " + described(ref)
			}
		}
		i := strings.LastIndex(url, "/")
		if i < 0 {
			return "add " + key
		}
		url = url[:i]
	}
}

func keysOf(url string) []string {
	props, _ := schemaPart(url)["properties"].(map[string]any)
	keys := make([]string, 0, len(props))
	for k := range props {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
