package profile

import (
	"fmt"
	"sort"
	"strings"
)

// Problem is one thing that is wrong in a profile file, and what would be
// right.
type Problem struct {
	File      string
	Line, Col int    // from 1
	Path      string // place in the file, "checksum.kind"
	What      string // what is wrong
	Want      string // what would be right
}

// String returns the problem in one line:
// "file:line:col: path: what; want".
func (p Problem) String() string {
	path := p.Path
	if path != "" {
		path += ": "
	}
	return fmt.Sprintf("%s:%d:%d: %s%s; %s", p.File, p.Line, p.Col, path, p.What, p.Want)
}

// Problems is all that is wrong in a profile file, in the order of its lines.
// Load returns it as its error.
type Problems []Problem

// Error has one line for each problem.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

func (ps Problems) sort() {
	sort.SliceStable(ps, func(i, j int) bool {
		if ps[i].Line != ps[j].Line {
			return ps[i].Line < ps[j].Line
		}
		return ps[i].Col < ps[j].Col
	})
}

// choose says what there is to choose from, the likely one first.
func choose(got string, known []string) string {
	best, bestD := "", 4
	for _, k := range known {
		if d := distance(strings.ToLower(got), k); d < bestD && 2*d < len(k) {
			best, bestD = k, d
		}
	}
	all := "it is one of: " + strings.Join(known, ", ")
	if best != "" {
		return fmt.Sprintf("did you mean %q? %s", best, all)
	}
	return all
}

// distance counts the bytes to insert, delete or replace to get from a to b.
func distance(a, b string) int {
	if len(a) > 40 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := diagonal
			if a[i] != b[j] {
				d++
			}
			diagonal = row[j+1]
			row[j+1] = min(d, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
