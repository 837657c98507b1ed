package ledger

import (
	"context"
	"database/sql/driver"
	"fmt"
	"io"
	"strings"

	sqlite3 "github.com/mattn/go-sqlite3"
)

// mode is what a file is being written for.
type mode int

const (
	live  mode = iota // durable and shared with readers
	fresh             // built by us alone, synced once at the end
)

// writer is the one connection that writes. It talks to the driver directly,
// because database/sql costs as much per row as SQLite does.
type writer struct {
	conn  driver.Conn
	stmts [numStatements]driver.StmtQueryContext
	args  []driver.NamedValue // scratch
}

// openWriter opens path, and makes the tables if the file is new.
func openWriter(path string, m mode) (*writer, error) {
	options := "_busy_timeout=5000&_journal_mode=WAL&_synchronous=FULL&_foreign_keys=0&_cache_size=-32000"
	if m == fresh {
		options = "_busy_timeout=0&_journal_mode=OFF&_synchronous=OFF&_locking_mode=EXCLUSIVE&_foreign_keys=0&_cache_size=-64000"
	}
	conn, err := openRaw(path, options)
	if err != nil {
		return nil, err
	}
	w := &writer{conn: conn}
	if err := w.prepare(); err != nil {
		_ = w.close() // the first error counts
		return nil, err
	}
	return w, nil
}

func openRaw(path, options string) (driver.Conn, error) {
	return (&sqlite3.SQLiteDriver{}).Open(dsn(path, "rwc", options))
}

func (w *writer) prepare() error {
	if err := w.makeTables(); err != nil {
		return err
	}
	for i, text := range statements {
		s, err := w.conn.Prepare(text)
		if err != nil {
			return fmt.Errorf("prepare %q: %w", text, err)
		}
		w.stmts[i] = s.(driver.StmtQueryContext)
	}
	return nil
}

// makeTables fills a new file, and looks whether an old one is ours.
func (w *writer) makeTables() error {
	app, err := w.pragma("application_id")
	if err != nil {
		return err
	}
	version, err := w.pragma("user_version")
	if err != nil {
		return err
	}
	tables, err := w.number("SELECT count(*) FROM sqlite_schema")
	if err != nil {
		return err
	}
	if app != 0 || version != 0 || tables != 0 {
		return judgeForm(int(app), int(version))
	}
	for _, text := range []string{
		"BEGIN IMMEDIATE", schemaSQL, recallSQL,
		fmt.Sprintf("PRAGMA application_id=%d", appID),
		fmt.Sprintf("PRAGMA user_version=%d", Schema),
		"COMMIT",
	} {
		if err := w.exec(text); err != nil {
			return err
		}
	}
	return nil
}

// exec runs statements that take no arguments.
func (w *writer) exec(text string) error {
	_, err := w.conn.(driver.ExecerContext).ExecContext(context.Background(), text, nil)
	return err
}

func (w *writer) pragma(name string) (int64, error) { return w.number("PRAGMA " + name) }

// number returns the integer that a query gives.
func (w *writer) number(query string) (int64, error) {
	v, err := w.one(query)
	if err != nil {
		return 0, err
	}
	n, ok := v.(int64)
	if !ok {
		return 0, fmt.Errorf("query %q: got %T, want a number", query, v)
	}
	return n, nil
}

// one returns the single value that a query gives, nil if it gives no row.
func (w *writer) one(query string) (driver.Value, error) {
	rows, err := w.conn.(driver.QueryerContext).QueryContext(context.Background(), query, nil)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	dest := make([]driver.Value, 1)
	if err := rows.Next(dest); err == io.EOF {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	return dest[0], nil
}

// put runs a prepared statement that gives no rows. It goes through the
// driver's query side, which binds and steps in one call into C; its exec side
// makes a call for each argument.
func (w *writer) put(s statement, args ...driver.Value) error {
	w.args = w.args[:0]
	for i, a := range args {
		w.args = append(w.args, driver.NamedValue{Ordinal: i + 1, Value: a})
	}
	rows, err := w.stmts[s].QueryContext(context.Background(), w.args)
	if err != nil {
		return fmt.Errorf("%s: %w", strings.Fields(statements[s])[2], err)
	}
	return rows.Close()
}

func (w *writer) close() error {
	var first error
	for _, s := range w.stmts {
		if s == nil {
			continue
		}
		if err := s.(driver.Stmt).Close(); err != nil && first == nil {
			first = err
		}
	}
	if err := w.conn.Close(); err != nil && first == nil {
		first = err
	}
	return first
}
