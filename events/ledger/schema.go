package ledger

import (
	"context"
	_ "embed"
	"fmt"
)

// Schema is the version of the ledger's form, as the file carries it. A ledger
// of another version is not converted, but rebuilt.
const Schema = 8

// appID marks a SQLite file as a ledger ("Witm").
const appID = 0x5769746d

//go:embed schema.sql
var mainSQL string

//go:embed schema_tools.sql
var toolsSQL string

var schemaSQL = mainSQL + toolsSQL

//go:embed recall.sql
var recallSQL string

// checkForm reports whether the file is a ledger of our version.
func checkForm(ctx context.Context, db asker) error {
	var app, version int
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	return judgeForm(app, version)
}

func judgeForm(app, version int) error {
	switch {
	case app != appID:
		return ErrNotLedger
	case version > Schema:
		return fmt.Errorf("%w: written by a newer version (form %d, here %d)", ErrSchema, version, Schema)
	case version < Schema:
		return fmt.Errorf("%w: written by an older version (form %d, here %d)", ErrSchema, version, Schema)
	}
	return nil
}
