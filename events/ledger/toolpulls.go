package ledger

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// A packed run of a tool's judgements is, little endian:
//
//	n, limits           uint32 each
//	limits times        lsl, usl float64; dim, class byte; 6 bytes of zero
//	n times             judgements.id int64
//	n times             at_us int64
//	n times             value float64; NaN: none
//	n times             u float64: expanded uncertainty, k = 2; 0: none
//	n times             which limits uint16
//
// All in base units; a limit that is not there is an infinity.
const (
	packedRun   = 4096
	packedHead  = 8
	packedLimit = 24
)

// ToolPull is one judgement of a tool's reading, as much of it as judging
// again takes, in base units.
type ToolPull struct {
	ID       int64 // key of the judgement; see Judgement
	AtUs     int64
	Value    float64 // NaN: none
	LSL, USL float64 // -Inf, +Inf: none
	U        float64 // expanded uncertainty, k = 2; 0: none
	Dim      quantity.Dimension
	Class    byte // consequence class of the joint, 'A', 'B' or 'C'; 0: none
}

// ToolPulls is a run of a tool's judgements in journal order.
type ToolPulls struct {
	n                        int
	ids, ats, values, us, of []byte
	limits                   []ToolPull
}

// Len is how many there are.
func (p *ToolPulls) Len() int { return p.n }

// AtUs is the time of one.
func (p *ToolPulls) AtUs(i int) int64 { return int64(binary.LittleEndian.Uint64(p.ats[8*i:])) }

// Read fills in one.
func (p *ToolPulls) Read(i int, into *ToolPull) {
	*into = p.limits[binary.LittleEndian.Uint16(p.of[2*i:])]
	into.ID = int64(binary.LittleEndian.Uint64(p.ids[8*i:]))
	into.AtUs = p.AtUs(i)
	into.Value = math.Float64frombits(binary.LittleEndian.Uint64(p.values[8*i:]))
	into.U = math.Float64frombits(binary.LittleEndian.Uint64(p.us[8*i:]))
}

// unpack reads what pack wrote. It keeps b.
func (p *ToolPulls) unpack(b []byte) error {
	if len(b) < packedHead {
		return fmt.Errorf("%w: %d bytes of pulls", ErrBroken, len(b))
	}
	n, limits := int(binary.LittleEndian.Uint32(b)), int(binary.LittleEndian.Uint32(b[4:]))
	if want := packedHead + limits*packedLimit + n*34; len(b) != want {
		return fmt.Errorf("%w: %d bytes for %d pulls, want %d", ErrBroken, len(b), n, want)
	}
	b = b[packedHead:]
	p.n, p.limits = n, p.limits[:0]
	for ; limits > 0; limits-- {
		p.limits = append(p.limits, ToolPull{
			LSL: math.Float64frombits(binary.LittleEndian.Uint64(b)), USL: math.Float64frombits(binary.LittleEndian.Uint64(b[8:])),
			Dim: quantity.Dimension(b[16]), Class: b[17],
		})
		b = b[packedLimit:]
	}
	p.ids, b = b[:8*n], b[8*n:]
	p.ats, b = b[:8*n], b[8*n:]
	p.values, b = b[:8*n], b[8*n:]
	p.us, p.of = b[:8*n], b[8*n:]
	for i := range n {
		if int(binary.LittleEndian.Uint16(p.of[2*i:])) >= len(p.limits) {
			return fmt.Errorf("%w: pull %d has no limits", ErrBroken, i)
		}
	}
	return nil
}

// pack writes at most packedRun judgements.
func pack(pulls []ToolPull) []byte {
	var limits []ToolPull
	of := make([]uint16, len(pulls))
	for i, p := range pulls {
		l := ToolPull{LSL: p.LSL, USL: p.USL, Dim: p.Dim, Class: p.Class}
		k := slices.Index(limits, l)
		if k < 0 {
			k, limits = len(limits), append(limits, l)
		}
		of[i] = uint16(k)
	}
	le := binary.LittleEndian
	b := make([]byte, 0, packedHead+len(limits)*packedLimit+34*len(pulls))
	b = le.AppendUint32(le.AppendUint32(b, uint32(len(pulls))), uint32(len(limits)))
	for _, l := range limits {
		b = le.AppendUint64(le.AppendUint64(b, math.Float64bits(l.LSL)), math.Float64bits(l.USL))
		b = append(b, byte(l.Dim), l.Class, 0, 0, 0, 0, 0, 0)
	}
	for _, f := range []func(*ToolPull) uint64{
		func(p *ToolPull) uint64 { return uint64(p.ID) },
		func(p *ToolPull) uint64 { return uint64(p.AtUs) },
		func(p *ToolPull) uint64 { return math.Float64bits(p.Value) },
		func(p *ToolPull) uint64 { return math.Float64bits(p.U) },
	} {
		for i := range pulls {
			b = le.AppendUint64(b, f(&pulls[i]))
		}
	}
	for _, k := range of {
		b = le.AppendUint16(b, k)
	}
	return b
}

const toolPullColumns = "SELECT id, at_us, dim, value_base, lsl_base, usl_base, u_base, class FROM judgements "

// toolPull reads a row of toolPullColumns.
func toolPull(row []any) ToolPull {
	number := func(v any, none float64) float64 {
		if f, ok := v.(float64); ok {
			return f
		}
		return none
	}
	id, _ := row[0].(int64)
	at, _ := row[1].(int64)
	dim, _ := row[2].(int64)
	class, _ := row[7].(string)
	p := ToolPull{ID: id, AtUs: at, Dim: quantity.Dimension(dim), Value: number(row[3], math.NaN()),
		LSL: number(row[4], math.Inf(-1)), USL: number(row[5], math.Inf(1)), U: number(row[6], 0)}
	if class != "" {
		p.Class = class[0]
	}
	return p
}

// packTools packs, for each tool with new judgements, the runs that are full
// now. What is packed depends on the journal alone, not on where batches end.
func (w *writer) packTools(judged map[string]int64) error {
	for tool, n := range judged {
		if err := w.put(addToolTally, tool, n); err != nil {
			return err
		}
		all, err := w.count("SELECT judged FROM tool_tallies WHERE tool = ?", tool)
		if err != nil {
			return err
		}
		for {
			packed, err := w.count("SELECT count(*) FROM tool_pulls WHERE tool = ?", tool)
			if err != nil {
				return err
			}
			if all < (packed+1)*packedRun {
				break
			}
			if err := w.packRun(tool, packed); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *writer) packRun(tool string, block int64) error {
	after, err := w.count("SELECT coalesce(max(last_id), 0) FROM tool_pulls WHERE tool = ?", tool)
	if err != nil {
		return err
	}
	var pulls []ToolPull
	err = w.each(toolPullColumns+"WHERE tool = ? AND id > ? ORDER BY id LIMIT ?", func(row []driver.Value) {
		pulls = append(pulls, toolPull([]any{row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7]}))
	}, tool, after, int64(packedRun))
	if err != nil {
		return err
	}
	if len(pulls) != packedRun {
		return fmt.Errorf("%w: %d judgements of tool %s to pack, want %d", ErrBroken, len(pulls), tool, packedRun)
	}
	first, last := pulls[0].AtUs, pulls[0].AtUs
	for i := range pulls {
		first, last = min(first, pulls[i].AtUs), max(last, pulls[i].AtUs)
	}
	return w.put(putToolPulls, tool, block, pulls[0].ID, pulls[len(pulls)-1].ID, first, last, pack(pulls))
}

// count gives the one number that a query gives.
func (w *writer) count(query string, args ...driver.Value) (n int64, err error) {
	err = w.each(query, func(row []driver.Value) { n, _ = row[0].(int64) }, args...)
	return n, err
}

// each runs a query on the connection that writes, which sees what the batch
// has written so far.
func (w *writer) each(query string, fn func(row []driver.Value), args ...driver.Value) error {
	named := make([]driver.NamedValue, len(args))
	for i, a := range args {
		named[i] = driver.NamedValue{Ordinal: i + 1, Value: a}
	}
	rows, err := w.conn.(driver.QueryerContext).QueryContext(context.Background(), query, named)
	if err != nil {
		return fmt.Errorf("%q: %w", query, err)
	}
	defer rows.Close()
	row := make([]driver.Value, len(rows.Columns()))
	for {
		if err := rows.Next(row); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		fn(row)
	}
}

// CountToolPulls counts the judgements of a tool's readings taken from one
// time to another, both included.
func (q *Queries) CountToolPulls(ctx context.Context, tool string, from, to events.Instant) (int, error) {
	runs, err := q.runsOf(ctx, tool, from, to)
	if err != nil {
		return 0, err
	}
	sum := 0
	for _, r := range runs {
		if r.packed && r.firstUs >= int64(from) && r.lastUs <= int64(to) {
			sum += packedRun
			continue
		}
		var n int
		err := q.db.QueryRowContext(ctx, "SELECT count(*) FROM judgements WHERE tool = ? AND id BETWEEN ? AND ? AND at_us BETWEEN ? AND ?",
			tool, r.firstID, r.lastID, int64(from), int64(to)).Scan(&n)
		if err != nil {
			return 0, explain("count pulls in ledger", q.path, err)
		}
		sum += n
	}
	return sum, nil
}

// toolRun is a packed run, or the rest that is not packed yet.
type toolRun struct {
	block                            int64
	firstID, lastID, firstUs, lastUs int64
	packed                           bool
}

// runsOf gives the runs that may hold readings of a span of time; the rest is
// always among them.
func (q *Queries) runsOf(ctx context.Context, tool string, from, to events.Instant) ([]toolRun, error) {
	runs, err := all(ctx, q, "pulls of tool "+tool, "SELECT block, first_id, last_id, first_us, last_us FROM tool_pulls WHERE tool = ? ORDER BY block",
		func(r scanner, t *toolRun) error {
			t.packed = true
			return r.Scan(&t.block, &t.firstID, &t.lastID, &t.firstUs, &t.lastUs)
		}, tool)
	if err != nil {
		return nil, err
	}
	rest := toolRun{firstID: 0, lastID: math.MaxInt64}
	if len(runs) > 0 {
		rest.firstID = runs[len(runs)-1].lastID + 1
	}
	runs = slices.DeleteFunc(runs, func(r toolRun) bool { return r.lastUs < int64(from) || r.firstUs > int64(to) })
	return append(runs, rest), nil
}

// EachToolPulls gives the judgements of a tool's readings in journal order, run
// by run: all that were taken from one time to another, and others too. A run
// is good until fn returns.
func (q *Queries) EachToolPulls(ctx context.Context, tool string, from, to events.Instant, fn func(*ToolPulls) error) error {
	runs, err := q.runsOf(ctx, tool, from, to)
	if err != nil {
		return err
	}
	var p ToolPulls
	if n := len(runs) - 1; n > 0 {
		rows, err := q.db.QueryContext(ctx, "SELECT pulls FROM tool_pulls WHERE tool = ? AND block BETWEEN ? AND ? AND last_us >= ? AND first_us <= ? ORDER BY block",
			tool, runs[0].block, runs[n-1].block, int64(from), int64(to))
		if err != nil {
			return explain("read pulls from ledger", q.path, err)
		}
		defer rows.Close()
		for rows.Next() {
			var b sql.RawBytes
			if err := rows.Scan(&b); err != nil {
				return explain("read pulls from ledger", q.path, err)
			}
			if err := p.unpack(b); err != nil {
				return explain("read pulls from ledger", q.path, err)
			}
			if err := fn(&p); err != nil {
				return err
			}
		}
		if err := rows.Err(); err != nil {
			return explain("read pulls from ledger", q.path, err)
		}
	}
	rest, err := all(ctx, q, "pulls of tool "+tool, toolPullColumns+"WHERE tool = ? AND id >= ? ORDER BY id", func(r scanner, t *ToolPull) error {
		var row [8]any
		err := r.Scan(&row[0], &row[1], &row[2], &row[3], &row[4], &row[5], &row[6], &row[7])
		*t = toolPull(row[:])
		return err
	}, tool, runs[len(runs)-1].firstID)
	if err != nil || len(rest) == 0 {
		return err
	}
	if err := p.unpack(pack(rest)); err != nil {
		return err
	}
	return fn(&p)
}
