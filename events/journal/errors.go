package journal

import (
	"errors"
	"fmt"
)

// Errors of Append. After ErrNotStored the events are not in the journal and
// will not come; after ErrUnknown they may be.
var (
	ErrNotStored = errors.New("event not stored")
	ErrUnknown   = errors.New("not known whether the event was stored")
	// ErrFull is an ErrNotStored: there is too little room.
	ErrFull = fmt.Errorf("%w: journal full", ErrNotStored)
	// ErrTooLarge is an ErrNotStored: one event is over MaxEvent.
	ErrTooLarge = fmt.Errorf("%w: event too large", ErrNotStored)
	// ErrSecondWriter means that something else writes to this stream. The
	// journal writes no more until it is opened again.
	ErrSecondWriter = errors.New("another writer has written to the journal")
	// ErrOvertaken is an ErrNotStored: in a shared journal another process has
	// written the next event of the source already.
	ErrOvertaken = fmt.Errorf("%w: another process was first", ErrNotStored)
	// ErrCopy is an ErrNotStored: this journal is a copy, which nobody writes to.
	ErrCopy = fmt.Errorf("%w: this journal is a copy; write at the shop", ErrNotStored)
	// ErrClosed is given after Close.
	ErrClosed = errors.New("journal closed")
)

// Errors of Open.
var (
	// ErrInUse: another process has the directory open.
	ErrInUse = errors.New("in use")
	// ErrMissing: the directory has held a stream that is not there now, or
	// holds another. It is never made anew by itself.
	ErrMissing = errors.New("the journal's stream is missing")
	// ErrTailLost: the last entries are gone.
	ErrTailLost = errors.New("the end of the journal is missing")
	// ErrDamaged: blocks are damaged, and the journal was to be looked at only.
	ErrDamaged = errors.New("the journal's files are damaged")
	// ErrUnsafe: the server acknowledges before it syncs.
	ErrUnsafe = errors.New("the server does not sync before it acknowledges")
)

// NumberGapError says that an event's number is beyond the next of its
// source; nothing of that Append was written.
type NumberGapError struct {
	Source string
	Want   uint64 // the next number
	Got    uint64
}

// Error implements error.
func (e *NumberGapError) Error() string {
	return fmt.Sprintf("append event %d of source %q: number %d is missing; append it first", e.Got, e.Source, e.Want)
}

// Is makes it an ErrNotStored.
func (e *NumberGapError) Is(target error) bool { return target == ErrNotStored }

// TailLostError is an ErrTailLost with figures.
type TailLostError struct {
	Last  uint64 // sequence of the last entry that is there
	Known uint64 // sequence known to have been on disk
	By    string // what knows it
}

// Error implements error.
func (e *TailLostError) Error() string {
	by := ""
	if e.By != "" {
		by = ", as " + e.By + " tells"
	}
	return fmt.Sprintf("%v: it ends at %d, but %d was on disk%s; 'witnessmark mend' brings back what a copy or a file put aside still holds; "+
		"put back a copy of the directory, or accept the loss with --accept-loss", ErrTailLost, e.Last, e.Known, by)
}

// Is makes it an ErrTailLost.
func (e *TailLostError) Is(target error) bool { return target == ErrTailLost }
