package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Queries asks the ledger. A Ledger is one, each of whose queries sees the
// ledger as it is just then; AtOnce gives one whose queries all see the same.
type Queries struct {
	db   asker
	path string
}

// asker is a pool, or a transaction.
type asker interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// AtOnce calls fn with queries that all see the ledger at one instant, while
// writing goes on. They must not be used after fn has returned.
func (l *Ledger) AtOnce(ctx context.Context, fn func(*Queries) error) error {
	tx, err := l.read.BeginTx(ctx, nil)
	if err != nil {
		return explain("read ledger", l.path, err)
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	return fn(&Queries{db: tx, path: l.path})
}

// scanner is a row that can be read.
type scanner interface{ Scan(dest ...any) error }

// all runs a query and reads every row with read.
func all[T any](ctx context.Context, q *Queries, what, query string, read func(scanner, *T) error, args ...any) ([]T, error) {
	rows, err := q.db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, explain("read "+what+" from ledger", q.path, err)
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		var v T
		if err := read(rows, &v); err != nil {
			return nil, explain("read "+what+" from ledger", q.path, err)
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, explain("read "+what+" from ledger", q.path, err)
	}
	return out, nil
}

// one is all for a query that gives one row; none is ErrUnknown, and says what
// was looked for.
func one[T any](ctx context.Context, q *Queries, what, query string, read func(scanner, *T) error, args ...any) (T, error) {
	var v T
	err := read(q.db.QueryRowContext(ctx, query, args...), &v)
	if errors.Is(err, sql.ErrNoRows) {
		return v, fmt.Errorf("read %s: %w", what, ErrUnknown)
	}
	if err != nil {
		return v, explain("read "+what+" from ledger", q.path, err)
	}
	return v, nil
}

// units gives, by dimension, the unit of a *_base column.
var units = map[quantity.Dimension]quantity.Unit{
	quantity.DimTorque: quantity.NewtonMetre,
	quantity.DimAngle:  quantity.Degree,
	quantity.DimLength: quantity.Millimetre,
	quantity.DimForce:  quantity.Newton,
}

// value makes a value of a row's dim and one of its *_base columns.
func value(dim int, base sql.NullFloat64) quantity.Value {
	if !base.Valid {
		return quantity.Value{}
	}
	return quantity.Of(base.Float64, units[quantity.Dimension(dim)])
}

func angle(deg sql.NullFloat64) quantity.Value { return value(int(quantity.DimAngle), deg) }

// lines reads a JSON array of text; nil for an empty one.
func lines(text string) ([]string, error) {
	var out []string
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		return nil, fmt.Errorf("%w: list %q: %v", ErrBroken, text, err)
	}
	if len(out) == 0 {
		return nil, nil
	}
	return out, nil
}

// limit turns "no limit" into what SQLite calls so.
func limit(n int) int {
	if n <= 0 {
		return -1
	}
	return n
}

// Span is a range of time, From included, To not; 0: open.
type Span struct{ From, To events.Instant }

func (s Span) args() (from, to int64) {
	to = int64(s.To)
	if to == 0 {
		to = 1<<63 - 1
	}
	from = int64(s.From)
	if from == 0 {
		from = -1 << 63
	}
	return from, to
}
