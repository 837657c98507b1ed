package dashboards

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// angleChange is a new angle window for one pass of a procedure, in a revision
// of its own. All else in the file stays as it was written.
type angleChange struct {
	Step      string
	Pass      int // index in the file
	Low, High quantity.Value
	Revision  string // name of the new one
}

// lineChange is one line of a procedure's file, before and after.
type lineChange struct {
	Number   int // of the old line, from 1
	Old, New string
}

var errByHand = errors.New("this file is written in a way that the program does not change by itself")

var plainRevision = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]*$`)

// revise makes the text of the new revision, and tells which lines differ. It
// checks that the new text reads as meant.
func revise(text string, c angleChange) (revised string, changes []lineChange, err error) {
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil || len(doc.Content) != 1 {
		return "", nil, errByHand
	}
	pass, err := passNode(doc.Content[0], c)
	if err != nil {
		return "", nil, err
	}
	ed := editor{lines: strings.Split(text, "\n")}
	if err := ed.angle(pass, c); err != nil {
		return "", nil, err
	}
	name := c.Revision
	if !plainRevision.MatchString(name) {
		name = strconv.Quote(name)
	}
	if err := ed.scalar(valueOf(doc.Content[0], "revision"), name); err != nil {
		return "", nil, err
	}
	revised, changes = ed.apply()
	return revised, changes, checkRevised(text, revised, c)
}

// checkRevised reads the new text as the rules will.
func checkRevised(old, revised string, c angleChange) error {
	was, _ := procedure.Parse("before", []byte(old))
	is, problems := procedure.Parse("after", []byte(revised))
	if err := problems.Err(); err != nil || is == nil || was == nil {
		return fmt.Errorf("the new text cannot be read as a procedure: %w", errors.Join(err, errByHand))
	}
	s, _ := is.Step(c.Step)
	if is.Revision != c.Revision || len(is.Steps) != len(was.Steps) || s == nil || s.Joint == nil || c.Pass >= len(s.Joint.Passes) {
		return errByHand
	}
	if p := s.Joint.Passes[c.Pass]; degrees(p.AngleLo) != degrees(c.Low) || degrees(p.AngleHi) != degrees(c.High) {
		return errByHand
	}
	return nil
}

// degrees writes an angle as a procedure's file has it: "23.5°".
func degrees(v quantity.Value) string {
	return strconv.FormatFloat(v.In(quantity.Degree), 'f', 1, 64) + "°"
}

func valueOf(m *yaml.Node, key string) *yaml.Node {
	if m == nil || m.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i+1]
		}
	}
	return nil
}

func passNode(root *yaml.Node, c angleChange) (*yaml.Node, error) {
	steps := valueOf(root, "steps")
	if steps == nil || steps.Kind != yaml.SequenceNode {
		return nil, errByHand
	}
	for _, s := range steps.Content {
		if id := valueOf(s, "id"); id == nil || id.Value != c.Step {
			continue
		}
		passes := valueOf(s, "passes")
		if passes == nil || passes.Kind != yaml.SequenceNode || c.Pass < 0 || c.Pass >= len(passes.Content) {
			return nil, errByHand
		}
		if p := passes.Content[c.Pass]; p.Kind == yaml.MappingNode && len(p.Content) > 0 {
			return p, nil
		}
	}
	return nil, errByHand
}

// editor changes text at places that the YAML reader names: lines and columns
// from 1, columns in characters.
type editor struct {
	lines []string
	edits []edit
}

type edit struct {
	line, column, length int // length in characters of what goes
	text                 string
}

func (e *editor) angle(pass *yaml.Node, c angleChange) error {
	if a := valueOf(pass, "angle"); a != nil {
		return errors.Join(e.scalar(valueOf(a, "low"), degrees(c.Low)), e.scalar(valueOf(a, "high"), degrees(c.High)))
	}
	last := pass.Content[len(pass.Content)-2] // the last key: the window goes before it
	entry := fmt.Sprintf("angle: {low: %s, high: %s}", degrees(c.Low), degrees(c.High))
	if pass.Style&yaml.FlowStyle != 0 {
		entry += ", "
	} else {
		entry += "\n" + strings.Repeat(" ", last.Column-1)
	}
	e.edits = append(e.edits, edit{last.Line, last.Column, 0, entry})
	return nil
}

// scalar replaces a value that stands on one line as it is read.
func (e *editor) scalar(n *yaml.Node, text string) error {
	if n == nil || n.Kind != yaml.ScalarNode || n.Line < 1 || n.Line > len(e.lines) || n.Anchor != "" {
		return errByHand
	}
	was := n.Value
	switch {
	case n.Style&yaml.DoubleQuotedStyle != 0:
		was = `"` + was + `"`
	case n.Style&yaml.SingleQuotedStyle != 0:
		was = "'" + was + "'"
	}
	line := []rune(e.lines[n.Line-1])
	if from := n.Column - 1; from > len(line) || !strings.HasPrefix(string(line[from:]), was) {
		return errByHand
	}
	e.edits = append(e.edits, edit{n.Line, n.Column, len([]rune(was)), text})
	return nil
}

// apply makes the edits, the last in the text first, so that places stay true.
func (e *editor) apply() (string, []lineChange) {
	slices.SortFunc(e.edits, func(a, b edit) int {
		if a.line != b.line {
			return b.line - a.line
		}
		return b.column - a.column
	})
	lines := slices.Clone(e.lines)
	for _, d := range e.edits {
		line := []rune(lines[d.line-1])
		lines[d.line-1] = string(line[:d.column-1]) + d.text + string(line[d.column-1+d.length:])
	}
	var changes []lineChange
	for i := range lines {
		if lines[i] != e.lines[i] {
			changes = append(changes, lineChange{i + 1, e.lines[i], lines[i]})
		}
	}
	return strings.Join(lines, "\n"), changes
}
