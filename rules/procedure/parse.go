package procedure

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// MaxText is the size in bytes of the greatest procedure file that is read.
const MaxText = 512 << 10

// MaxFasteners is the greatest number of fasteners in one joint.
const MaxFasteners = 400

// Parse reads a procedure. name is the file's name, for the problems. The
// procedure is nil if there is any error among the problems; warnings alone
// do not keep it from being used. Hash is the SHA-256 of text.
//
// The same text gives the same procedure on every machine. Parse never
// panics, whatever the text.
func Parse(name string, text []byte) (*Procedure, Problems) {
	r := &reader{file: name}
	root := r.load(text)
	if !root.ok() {
		return nil, r.probs.sorted()
	}
	r.checkSchema(root)
	p := r.procedure(root)
	probs := r.probs.sorted()
	if probs.Err() != nil {
		return nil, probs
	}
	sum := sha256.Sum256(text)
	p.Hash = hex.EncodeToString(sum[:])
	return p, probs
}

// reader collects problems while a file is read.
type reader struct {
	file  string
	probs Problems
}

func (r *reader) err(p at, what, want string)  { r.add(p, what, want, false) }
func (r *reader) warn(p at, what, want string) { r.add(p, what, want, true) }

func (r *reader) add(p at, what, want string, warning bool) {
	pr := Problem{File: r.file, Path: p.path, What: what, Want: want, Warning: warning}
	if p.n != nil {
		pr.Line, pr.Col = p.n.Line, p.n.Column
	}
	r.probs = append(r.probs, pr)
}

// broken reports whether an error was found at p or below it.
func (r *reader) broken(p at) bool {
	for _, pr := range r.probs {
		rest, below := strings.CutPrefix(pr.Path, p.path)
		if below && !pr.Warning && (rest == "" || rest[0] == '.' || rest[0] == '[') {
			return true
		}
	}
	return false
}

// load reads the YAML text into a tree without aliases and double keys.
func (r *reader) load(text []byte) at {
	top := Problem{File: r.file, Line: 1, Col: 1}
	switch {
	case len(text) > MaxText:
		top.What = fmt.Sprintf("the file has %d bytes", len(text))
		top.Want = fmt.Sprintf("%d at most", MaxText)
	case !utf8.Valid(text):
		top.Line = 1 + strings.Count(string(text[:invalid(text)]), "\n")
		top.What = "the file is not UTF-8 text"
		top.Want = "save it as UTF-8"
	default:
		return r.loadYAML(text)
	}
	r.probs = append(r.probs, top)
	return at{}
}

// invalid is the offset of the first byte that is not UTF-8.
func invalid(text []byte) int {
	for i := 0; i < len(text); {
		c, n := utf8.DecodeRune(text[i:])
		if c == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return len(text)
}

func (r *reader) loadYAML(text []byte) at {
	d := yaml.NewDecoder(strings.NewReader(string(text)))
	var doc yaml.Node
	err := d.Decode(&doc)
	if err != nil || len(doc.Content) == 0 {
		r.probs = append(r.probs, r.yamlProblem(err))
		return at{}
	}
	root := at{doc.Content[0], ""}
	before := len(r.probs)
	r.checkTree(root, 0)
	var more yaml.Node
	if d.Decode(&more) == nil {
		r.err(at{&more, ""}, "a second document begins here", "one procedure in a file")
	}
	if len(r.probs) > before {
		return at{}
	}
	if !root.isMap() {
		r.err(root, "the file is not a mapping", described(schemaURL))
		return at{}
	}
	return root
}

var yamlLine = regexp.MustCompile(`line (\d+): (.*)`)

// yamlProblem puts what the YAML reader says into our form.
func (r *reader) yamlProblem(err error) Problem {
	p := Problem{File: r.file, Line: 1, Col: 1, What: "the file is empty", Want: described(schemaURL)}
	if err == nil || err.Error() == "EOF" {
		return p
	}
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if m := yamlLine.FindStringSubmatch(text); m != nil {
		p.Line, _ = strconv.Atoi(m[1])
		text = m[2]
		if strings.HasPrefix(text, "did not find expected") {
			p.Line++ // for these the YAML reader counts from 0
		}
	}
	p.What = "not readable as YAML: " + text
	switch {
	case strings.Contains(text, "cannot start any token"):
		p.Want = "indent with spaces, not tabs, and put texts that begin with a special character in quotes"
	case strings.Contains(text, "tab character"):
		p.Want = "indent with spaces"
	case strings.Contains(text, "mapping values are not allowed"):
		p.Want = "put a text that contains a colon in quotes, and check the indentation"
	default:
		p.Want = "check indentation, quotes and brackets on this line and the one before"
	}
	return p
}

// checkTree refuses what would make a file mean something else than it seems
// to say.
func (r *reader) checkTree(p at, depth int) {
	switch {
	case depth > 50:
		r.err(p, "nested too deeply", "50 levels at most")
		return
	case p.n.Kind == yaml.AliasNode || p.n.Anchor != "":
		r.err(p, "anchors and aliases (& and *) are not read", "write it out, or put the text in quotes")
		return
	}
	for _, it := range p.items() {
		r.checkTree(it, depth+1)
	}
	if !p.isMap() {
		return
	}
	seen := map[string]int{}
	for i := 0; i+1 < len(p.n.Content); i += 2 {
		k := p.n.Content[i]
		here := at{k, join(p.path, short(k.Value))}
		if k.Kind != yaml.ScalarNode || k.Tag == "!!merge" {
			r.err(here, "this key is not a plain word", "a key of the procedure form")
			continue
		}
		if line, twice := seen[k.Value]; twice {
			r.err(here, fmt.Sprintf("%s is given twice, first in line %d", k.Value, line), "remove one of them")
		}
		seen[k.Value] = k.Line
		r.checkTree(at{p.n.Content[i+1], join(p.path, k.Value)}, depth+1)
	}
}
