package calibration

import read "witnessmark/rules/internal/published"

// What the tests read published tables with.
var (
	published = read.Rows
	number    = read.Number
	cell      = read.Cell
	row       = read.Row
	printed   = read.Printed
	lastDigit = read.LastDigit
	near      = read.Near
)
