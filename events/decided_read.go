package events

import (
	"bytes"
	"strconv"
)

// decidedV1 reads a decision. Most decisions have one outcome and are in the
// form that Encode writes; those are taken apart without scanning them first,
// which halves the time of reading a journal back. All others, and whatever
// looks odd on the way, are read in the usual manner.
func decidedV1(b []byte) (Data, error) {
	if d, ok := oneOutcome(b); ok {
		return d, nil
	}
	return as[Decided]()(b)
}

// oneOutcome reads {"cause":1,"cause_us":2,"rules":"3","outcomes":[{"name":…}]}
// to the byte; ok is false for anything else.
func oneOutcome(b []byte) (d Decided, ok bool) {
	cause, rest, ok := between(b, `{"cause":`, `,"cause_us":`)
	if !ok {
		return d, false
	}
	at, rest, ok := between(rest, "", `,"rules":"`)
	if !ok {
		return d, false
	}
	rules, rest, ok := between(rest, "", `","outcomes":[`)
	if !ok || !simple(rules) || !integer(cause) || !integer(bytes.TrimPrefix(at, []byte("-"))) {
		return d, false
	}
	outcome, ok := bytes.CutSuffix(rest, []byte("]}"))
	if !ok {
		return d, false
	}
	n, err := strconv.ParseUint(string(cause), 10, 64)
	us, err2 := strconv.ParseInt(string(at), 10, 64)
	if err != nil || err2 != nil {
		return d, false
	}
	d = Decided{Cause: n, CauseUs: Instant(us), Rules: string(rules), Outcomes: make([]Outcome, 1)}
	return d, d.Outcomes[0].UnmarshalJSON(outcome) == nil
}

// between cuts head off b and splits the rest around sep.
func between(b []byte, head, sep string) (before, after []byte, ok bool) {
	b, ok = bytes.CutPrefix(b, []byte(head))
	if !ok {
		return nil, nil, false
	}
	return bytes.Cut(b, []byte(sep))
}

// simple reports whether b is text that JSON writes as it is.
func simple(b []byte) bool {
	for _, c := range b {
		if c < ' ' || c > '~' || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}

// integer reports whether b is decimal digits as JSON has them.
func integer(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) == 1 || len(b) > 1 && b[0] != '0'
}
