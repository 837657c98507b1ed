package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"

	"witnessmark/rules/procedure"
)

// procText is a procedure with its file's text. It may be used from several
// goroutines.
type procText struct {
	name string
	text []byte
	proc *procedure.Procedure

	mu      sync.Mutex
	without map[string]*procText // by the steps left out
}

// newProcText reads a procedure.
func newProcText(name string, text []byte) (*procText, error) {
	p, problems := procedure.Parse(name, text)
	if err := problems.Err(); err != nil {
		return nil, err
	}
	return &procText{name: name, text: text, proc: p}, nil
}

func openProcText(name string) (*procText, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read procedure: %w", err)
	}
	return newProcText(name, text)
}

// leave returns the procedure without some of its steps, under a revision of
// its own.
func (p *procText) leave(ids []string) (*procText, error) {
	if len(ids) == 0 {
		return p, nil
	}
	key := strings.Join(ids, " ")
	p.mu.Lock()
	defer p.mu.Unlock()
	if q := p.without[key]; q != nil {
		return q, nil
	}
	text, err := cutSteps(p.text, p.proc.Revision, ids)
	if err != nil {
		return nil, fmt.Errorf("%s: leave out steps %s: %w", p.name, key, err)
	}
	q, err := newProcText(p.name, text)
	if err != nil {
		return nil, fmt.Errorf("%s: without steps %s: %w", p.name, key, err)
	}
	if p.without == nil {
		p.without = map[string]*procText{}
	}
	p.without[key] = q
	return q, nil
}

// cutSteps takes steps out of a procedure's text, and their names out of what
// other steps cover.
func cutSteps(text []byte, revision string, ids []string) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil || len(doc.Content) == 0 {
		return nil, fmt.Errorf("read YAML: %w", err)
	}
	top := doc.Content[0]
	if steps := yamlField(top, "steps"); steps != nil {
		steps.Content = slices.DeleteFunc(steps.Content, func(n *yaml.Node) bool {
			id := yamlField(n, "id")
			return id != nil && slices.Contains(ids, id.Value)
		})
		for _, n := range steps.Content {
			uncover(n, ids)
		}
	}
	if rev := yamlField(top, "revision"); rev != nil {
		sum := sha256.Sum256([]byte(strings.Join(ids, " ")))
		rev.SetString(revision + "-" + hex.EncodeToString(sum[:3]))
	}
	return yaml.Marshal(&doc)
}

// uncover takes names out of what a step covers.
func uncover(step *yaml.Node, ids []string) {
	covers := yamlField(step, "covers")
	if covers == nil {
		return
	}
	covers.Content = slices.DeleteFunc(covers.Content, func(n *yaml.Node) bool { return slices.Contains(ids, n.Value) })
	if len(covers.Content) > 0 {
		return
	}
	for i := 0; i+1 < len(step.Content); i += 2 {
		if step.Content[i].Value == "covers" {
			step.Content = slices.Delete(step.Content, i, i+2)
			return
		}
	}
}

// yamlField returns the value of a mapping's key, or nil.
func yamlField(n *yaml.Node, key string) *yaml.Node {
	if n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	if n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}
