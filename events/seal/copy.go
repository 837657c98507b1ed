package seal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"witnessmark/events"
)

// VerifyCopy holds a copy of a whole journal against the seals that the journal
// itself tells of. keys are the shop's verifier keys, from the shop; there must
// be some. Of an entry that differs it can say only between which seals it is:
// the hashes of the single entries are with the shop.
func VerifyCopy(ctx context.Context, j Reader, shop string, keys []string, progress func(done, total uint64)) (r *Result, err error) {
	if len(keys) == 0 {
		return nil, errors.New("verify a copy: give the shop's public key, as 'witnessmark seal key' prints it there")
	}
	vs, err := Verifiers(keys)
	if err != nil {
		return nil, err
	}
	last := j.Last()
	seals, err := sealsIn(ctx, j, last)
	if err != nil {
		return nil, err
	}
	r = &Result{}
	if len(seals) == 0 {
		r.Notes = append(r.Notes, "There is no seal yet: nothing is proven.")
	}
	dir, err := os.MkdirTemp("", "witnessmark-verify-")
	if err != nil {
		return nil, fmt.Errorf("verify a copy: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	log, err := OpenLog(dir)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	gone, err := removalsOf(ctx, j)
	if err != nil {
		return nil, err
	}
	v := journalCheck{Result: r, log: log, gone: gone, shop: shop, last: last, progress: progress}
	v.open(seals, vs)
	if err := j.ReadWritten(ctx, 1, v.last, v.look); err != nil {
		return nil, fmt.Errorf("read journal: %w", err)
	}
	for v.tree.n < v.last {
		v.missing()
	}
	v.end()
	return r, nil
}

// sealsIn reads the seals that a journal tells of.
func sealsIn(ctx context.Context, j Reader, last uint64) (seals []events.SealMade, err error) {
	typ := events.TypeName(events.SealMade{})
	err = j.ReadWritten(ctx, 1, last, func(ws []events.Written) error {
		for i := range ws {
			if ws[i].Type != typ {
				continue
			}
			var m events.SealMade
			if err := json.Unmarshal([]byte(ws[i].Data), &m); err != nil {
				return fmt.Errorf("read the seal at entry %d: %w", ws[i].Seq, err)
			}
			seals = append(seals, m)
		}
		return nil
	})
	return seals, err
}
