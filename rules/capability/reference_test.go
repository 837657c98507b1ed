package capability

import read "witnessmark/rules/internal/published"

// What the tests read published tables with.
var (
	column  = read.Column
	number  = read.Number
	cell    = read.Cell
	printed = read.Printed
	near    = read.Near
)
