// Package seal keeps an append-only Merkle log over the journal and signs
// checkpoints of it, so that anyone who holds a record, a checkpoint and the
// public key can prove offline that the record is whole and unaltered.
//
// Leaf n of the log is journal entry n+1. Hashes and proofs are those of RFC
// 6962, by golang.org/x/mod/sumdb/tlog; checkpoints are signed notes in the
// C2SP checkpoint format, by golang.org/x/mod/sumdb/note, with an Ed25519 key.
package seal

import (
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// leafHead begins the text of every leaf.
const leafHead = "witnessmark entry v1\n"

// Leaf returns the bytes that stand for a journal entry in the log: a head
// line, then sequence, source, id, type, time and subject, a line each, an
// empty line, and the entry's JSON as it was written. No attribute holds a
// line break, so no two entries have one text.
func Leaf(w *events.Written) []byte {
	b := make([]byte, 0, len(leafHead)+len(w.Source)+len(w.ID)+len(w.Type)+len(w.Time)+len(w.Subject)+len(w.Data)+28)
	b = append(b, leafHead...)
	b = append(strconv.AppendUint(b, w.Seq, 10), '\n')
	for _, s := range []string{w.Source, w.ID, w.Type, w.Time, w.Subject} {
		b = append(append(b, strings.ReplaceAll(s, "\n", `\n`)...), '\n')
	}
	b = append(b, '\n')
	return append(b, w.Data...)
}

// hole is the leaf of a sequence that the journal no longer holds.
func hole(seq uint64) []byte {
	return []byte("witnessmark hole v1\n" + strconv.FormatUint(seq, 10) + "\n")
}

func leafHash(w *events.Written) tlog.Hash { return tlog.RecordHash(Leaf(w)) }
