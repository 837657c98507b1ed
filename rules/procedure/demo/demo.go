// Package demo holds the two procedures of the invented shop Fenholt
// Driveline, for the demonstration, for tests, and as files to start from.
// Every figure in them is invented.
package demo

import (
	_ "embed" // the procedures are part of the program
)

// File is a procedure file.
type File struct {
	ID   string // the procedure's id, "RA-210"
	Name string // the file's name, "RA-210.yaml"
	Text string // the YAML text
}

//go:embed RA-210.yaml
var ra210 string

//go:embed U6.yaml
var u6 string

// Files returns the procedures: the drive axle Brackwater RA-210, then the
// six-speed gearbox Ullock U6.
func Files() []File {
	return []File{
		{"RA-210", "RA-210.yaml", ra210},
		{"U6", "U6.yaml", u6},
	}
}

// ByID returns the procedure file with an id; ok is false if there is none.
func ByID(id string) (f File, ok bool) {
	for _, f := range Files() {
		if f.ID == id {
			return f, true
		}
	}
	return File{}, false
}
