package fit

import read "witnessmark/rules/internal/published"

// What the tests read published tables with.
var (
	text    = read.Text
	column  = read.Column
	row     = read.Row
	printed = read.Printed
	near    = read.Near
)
