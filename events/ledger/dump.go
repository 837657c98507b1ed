package ledger

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Dump writes every row of every table as text, tables by name and rows by
// key: two ledgers are equal if their dumps are. The form is for people and
// for comparing, not for keeping.
func (l *Ledger) Dump(ctx context.Context, w io.Writer) error {
	if err := dump(ctx, l.read, w); err != nil {
		return explain("write out ledger", l.path, err)
	}
	return nil
}

func dump(ctx context.Context, db *sql.DB, w io.Writer) error {
	out := bufio.NewWriterSize(w, 1<<16)
	tables, err := tableNames(ctx, db)
	if err != nil {
		return err
	}
	for _, t := range tables {
		c, err := openCursor(ctx, db, t)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%s\n  %s\n", t, strings.Join(c.columns, " | "))
		for {
			row, ok, err := c.next()
			if err != nil {
				c.close()
				return err
			}
			if !ok {
				break
			}
			fmt.Fprintf(out, "  %s\n", row)
		}
		c.close()
	}
	return out.Flush()
}

func tableNames(ctx context.Context, db *sql.DB) ([]string, error) {
	rows, err := db.QueryContext(ctx, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		out = append(out, name)
	}
	return out, rows.Err()
}

// cursor walks over one table in the order of its key.
type cursor struct {
	rows    *sql.Rows
	columns []string
	vals    []any
	ptrs    []any
}

func openCursor(ctx context.Context, db *sql.DB, table string) (*cursor, error) {
	key, err := keyOf(ctx, db, table)
	if err != nil {
		return nil, err
	}
	rows, err := db.QueryContext(ctx, `SELECT * FROM "`+table+`" ORDER BY `+key)
	if err != nil {
		return nil, err
	}
	c := &cursor{rows: rows}
	if c.columns, err = rows.Columns(); err != nil {
		rows.Close()
		return nil, err
	}
	c.vals, c.ptrs = make([]any, len(c.columns)), make([]any, len(c.columns))
	for i := range c.vals {
		c.ptrs[i] = &c.vals[i]
	}
	return c, nil
}

// keyOf returns the columns of a table's primary key.
func keyOf(ctx context.Context, db *sql.DB, table string) (string, error) {
	rows, err := db.QueryContext(ctx, "SELECT name FROM pragma_table_info(?) WHERE pk > 0 ORDER BY pk", table)
	if err != nil {
		return "", err
	}
	defer rows.Close()
	var cols []string
	for rows.Next() {
		var c string
		if err := rows.Scan(&c); err != nil {
			return "", err
		}
		cols = append(cols, c)
	}
	return strings.Join(cols, ", "), rows.Err()
}

// next returns the next row as text; ok is false after the last.
func (c *cursor) next() (row string, ok bool, err error) {
	if !c.rows.Next() {
		return "", false, c.rows.Err()
	}
	if err := c.rows.Scan(c.ptrs...); err != nil {
		return "", false, err
	}
	var b strings.Builder
	for i, v := range c.vals {
		if i > 0 {
			b.WriteString(" | ")
		}
		b.WriteString(cell(v))
	}
	return b.String(), true, nil
}

func (c *cursor) close() { _ = c.rows.Close() }

// cell writes a value so that values that differ look different.
func cell(v any) string {
	switch v := v.(type) {
	case nil:
		return "-"
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		s := strconv.FormatFloat(v, 'g', -1, 64)
		if !strings.ContainsAny(s, ".eIN") {
			s += ".0"
		}
		return s
	case []byte:
		return "x" + hex.EncodeToString(v)
	case string:
		return strconv.Quote(v)
	}
	return fmt.Sprintf("%T %v", v, v)
}

// Difference is a row that two ledgers do not share; one of the texts is empty
// where one of them has no such row.
type Difference struct {
	Table string
	Left  string
	Right string
}

// Compare returns the first max differences between two ledger files, row by
// row; none if they are equal. It reads both whole, at a fixed cost of memory.
func Compare(ctx context.Context, left, right string, max int) ([]Difference, error) {
	a, err := Open(ctx, Config{Path: left, ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer a.Close()
	b, err := Open(ctx, Config{Path: right, ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer b.Close()
	tables, err := tableNames(ctx, a.read)
	if err != nil {
		return nil, explain("compare ledger", left, err)
	}
	var out []Difference
	for _, t := range tables {
		if out, err = compareTable(ctx, a.read, b.read, t, out, max); err != nil || len(out) >= max {
			break
		}
	}
	if err != nil {
		return nil, explain("compare ledger", left, err)
	}
	return out, nil
}

// compareTable walks over both tables side by side. After the first row that
// differs the two are out of step, so it reports one difference a table.
func compareTable(ctx context.Context, a, b *sql.DB, table string, out []Difference, max int) ([]Difference, error) {
	ca, err := openCursor(ctx, a, table)
	if err != nil {
		return nil, err
	}
	defer ca.close()
	cb, err := openCursor(ctx, b, table)
	if err != nil {
		return nil, err
	}
	defer cb.close()
	for len(out) < max {
		ra, oka, err := ca.next()
		if err != nil {
			return nil, err
		}
		rb, okb, err := cb.next()
		if err != nil {
			return nil, err
		}
		if !oka && !okb {
			return out, nil
		}
		if ra != rb {
			return append(out, Difference{table, ra, rb}), nil
		}
	}
	return out, nil
}

// Check rebuilds the ledger beside path and compares the two. The difference
// is empty if the ledger is what the journal says. The ledger must be at the
// journal's end; it is not changed.
func Check(ctx context.Context, src Reader, path string, progress func(done, total uint64)) ([]Difference, error) {
	tmp := path + ".check"
	defer removeFiles(tmp)
	if err := buildAt(ctx, src, tmp, progress); err != nil {
		return nil, explain("check ledger", path, err)
	}
	return Compare(ctx, path, tmp, 20)
}
