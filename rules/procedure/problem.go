package procedure

import (
	"fmt"
	"sort"
	"strings"
)

// Problem is one thing that is wrong in a procedure file, and what would be
// right.
type Problem struct {
	File      string // as given to Parse
	Line, Col int    // 1-based; 0 where no place can be named
	Path      string // place in the YAML tree, "steps[2].passes[0].target"
	What      string // what is wrong
	Want      string // what would be right
	Warning   bool   // the file can be used as it is
}

// String returns the problem in one line:
// "file:line:col: error: path: what; want".
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Col)
	}
	b.WriteString(": error: ")
	if p.Warning {
		b.Reset()
		fmt.Fprintf(&b, "%s:%d:%d: warning: ", p.File, p.Line, p.Col)
	}
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	b.WriteString(p.What)
	if p.Want != "" {
		b.WriteString("; " + p.Want)
	}
	return b.String()
}

// Problems is all that was found in a file, in the order of its lines.
type Problems []Problem

// Errors returns the problems that keep the file from being used.
func (ps Problems) Errors() Problems { return ps.pick(false) }

// Warnings returns the problems that do not.
func (ps Problems) Warnings() Problems { return ps.pick(true) }

func (ps Problems) pick(warning bool) Problems {
	var out Problems
	for _, p := range ps {
		if p.Warning == warning {
			out = append(out, p)
		}
	}
	return out
}

// Err returns nil if there are no errors, warnings aside; else an error whose
// text has a line for each.
func (ps Problems) Err() error {
	if errs := ps.Errors(); len(errs) > 0 {
		return problemsError(errs)
	}
	return nil
}

type problemsError Problems

func (e problemsError) Error() string {
	lines := make([]string, len(e))
	for i, p := range e {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

func (ps Problems) sorted() Problems {
	sort.SliceStable(ps, func(i, j int) bool {
		if ps[i].Line != ps[j].Line {
			return ps[i].Line < ps[j].Line
		}
		return ps[i].Col < ps[j].Col
	})
	out := ps[:0]
	for i, p := range ps {
		if i == 0 || p != ps[i-1] {
			out = append(out, p)
		}
	}
	return out
}

// oneOf says what was probably meant, or else what there is to choose from.
func oneOf(got string, known []string) string {
	if m := nearest(got, known); m != "" {
		return fmt.Sprintf("did you mean %q?", m)
	}
	if len(known) == 0 {
		return "there are none"
	}
	const most = 16
	if len(known) > most {
		return "one of: " + strings.Join(known[:most], ", ") + ", …"
	}
	return "one of: " + strings.Join(known, ", ")
}

// nearest returns the known word that got is most likely a misspelling of: one
// that it begins with, or else one with at most a third of the letters wrong,
// letter case aside; "" if there is none.
func nearest(got string, known []string) string {
	best, bestD := "", 1<<30
	g := []rune(strings.ToLower(got))
	if len(g) > 60 {
		return ""
	}
	for _, k := range known {
		if len(k) >= 4 && strings.HasPrefix(string(g), strings.ToLower(k)) {
			return k
		}
	}
	for _, k := range known {
		r := []rune(strings.ToLower(k))
		if d := distance(g, r); d < bestD && 3*d <= max(len(r), len(g)) {
			best, bestD = k, d
		}
	}
	return best
}

// distance counts the letters to insert, delete, replace or swap with their
// neighbour to get from a to b (optimal string alignment).
func distance(a, b []rune) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range b {
		rows[0][j+1] = j + 1
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, rows[i-2][j-2]+1)
			}
			rows[i][j] = d
		}
	}
	return rows[len(a)][len(b)]
}
