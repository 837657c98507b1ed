package journal

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/nats-io/nats.go"

	"witnessmark/events"
)

// An event is written as a CloudEvents 1.0 message in binary content mode:
// the attributes are NATS headers, the payload is the data, as JSON.
// Source: NATS Protocol Binding for CloudEvents 1.0.3 (draft), section 3.1;
// the published 1.0.2 knows only the structured mode. The sequence attribute
// is from the CloudEvents extension of that name; it must sort as text, hence
// the leading zeros.
const (
	headerSpec     = "ce-specversion"
	headerID       = "ce-id"
	headerSource   = "ce-source"
	headerType     = "ce-type"
	headerTime     = "ce-time"
	headerSubject  = "ce-subject"
	headerSequence = "ce-sequence"
	headerContent  = "ce-datacontenttype"

	specVersion = "1.0"
	contentJSON = "application/json"
	timeForm    = "2006-01-02T15:04:05.000000Z"
)

// MaxEvent is the greatest size of an event's JSON. The server refuses
// messages above 1 MiB, headers included.
const MaxEvent = 1<<20 - 4096

// naming turns sources into subjects and source attributes of one shop.
type naming struct{ shop string }

func (n naming) stream() string { return "wm-" + n.shop }
func (n naming) all() string    { return "wm." + n.shop + ".ev.>" }

// sourceForm: parts of letters, digits, '-' and '_', parted by '/'. A dot
// would make two sources one subject.
var sourceForm = regexp.MustCompile(`^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$`)

func (n naming) subject(source string) (string, error) {
	if len(source) > 200 || !sourceForm.MatchString(source) {
		return "", fmt.Errorf("event source %q: want letters, digits, '-' and '_', parts separated by '/'", source)
	}
	return "wm." + n.shop + ".ev." + strings.ReplaceAll(source, "/", "."), nil
}

// sourceFromSubject undoes subject.
func (n naming) sourceFromSubject(subject string) string {
	return strings.ReplaceAll(strings.TrimPrefix(subject, "wm."+n.shop+".ev."), ".", "/")
}

// sourceAttr is the CloudEvents source: it names the shop too, so that it is
// unique where the journals of many shops flow together.
func (n naming) sourceAttr(source string) string { return "wm/" + n.shop + "/" + source }

func (n naming) sourceOf(attr string) (string, bool) {
	return strings.CutPrefix(attr, "wm/"+n.shop+"/")
}

// message is an event made ready for publishing. Its number is put in last.
type message struct {
	subject string
	typ     string
	payload []byte
}

// prepare encodes e and checks all but its number.
func (n naming) prepare(e *events.Event) (message, error) {
	if e.Data == nil {
		return message{}, fmt.Errorf("%w: append event of source %q: it has no data", ErrNotStored, e.Source)
	}
	subject, err := n.subject(e.Source)
	if err != nil {
		return message{}, fmt.Errorf("%w: %w", ErrNotStored, err)
	}
	typ, payload, err := events.Encode(e.Data)
	if err != nil {
		return message{}, fmt.Errorf("%w: %w", ErrNotStored, err)
	}
	switch y := e.Time.Time().Year(); {
	case len(payload) > MaxEvent:
		return message{}, fmt.Errorf("%w: %s of source %q has %d bytes, the limit is %d; send less in one event",
			ErrTooLarge, typ, e.Source, len(payload), MaxEvent)
	case y < 0 || y > 9999:
		return message{}, fmt.Errorf("%w: %s of source %q: time %d µs is not in the years 0 to 9999", ErrNotStored, typ, e.Source, e.Time)
	case len(e.Subject) > 512 || !utf8.ValidString(e.Subject):
		return message{}, fmt.Errorf("%w: %s of source %q: subject %.40q: want at most 512 bytes of UTF-8", ErrNotStored, typ, e.Source, e.Subject)
	}
	if e.Data, err = sameWhenRead(e.Data, typ, payload); err != nil {
		return message{}, fmt.Errorf("%w: %w", ErrNotStored, err)
	}
	return message{subject, typ, payload}, nil
}

// headers of e; its Number must be set.
func (n naming) headers(e *events.Event, typ string) nats.Header {
	id := strconv.FormatUint(e.Number, 10)
	h := make(nats.Header, 12) // room for the publishing headers too
	vals := make([]string, 8)
	set := func(k, v string) {
		i := len(h)
		vals[i] = v
		h[k] = vals[i : i+1 : i+1]
	}
	set(headerSpec, specVersion)
	set(headerID, id)
	set(headerSource, n.sourceAttr(e.Source))
	set(headerType, typ)
	set(headerSequence, zeros[:len(zeros)-len(id)]+id)
	set(headerContent, contentJSON)
	if e.Time != 0 {
		set(headerTime, e.Time.Time().Format(timeForm))
	}
	if e.Subject != "" {
		set(headerSubject, escape(e.Subject))
	}
	return h
}

const zeros = "00000000000000000000" // as many digits as the greatest uint64

// head reads the envelope of a stored message, all but its data.
func (n naming) head(h nats.Header) (e events.Event, typ string, err error) {
	source, ok := n.sourceOf(h.Get(headerSource))
	if !ok {
		return e, "", fmt.Errorf("source %q is not of shop %q", h.Get(headerSource), n.shop)
	}
	e.Source, typ = source, h.Get(headerType)
	if e.Number, err = strconv.ParseUint(h.Get(headerID), 10, 64); err != nil || e.Number == 0 {
		return e, typ, fmt.Errorf("id %q is not a number above 0", h.Get(headerID))
	}
	if v := h.Get(headerTime); v != "" {
		t, err := time.Parse(time.RFC3339Nano, v)
		if err != nil {
			return e, typ, fmt.Errorf("time %q is not RFC 3339", v)
		}
		e.Time = events.InstantOf(t)
	}
	if v := h.Get(headerSubject); v != "" {
		if e.Subject, err = unescape(v); err != nil {
			return e, typ, err
		}
	}
	return e, typ, nil
}

// entry reads a whole stored message.
func (n naming) entry(seq uint64, h nats.Header, payload []byte) (events.Entry, error) {
	e, typ, err := n.head(h)
	if err == nil {
		e.Data, err = events.Decode(typ, payload)
	}
	if err != nil {
		return events.Entry{}, entryError(seq, typ, err)
	}
	return events.Entry{Seq: seq, Event: e}, nil
}

// entryError says which stored event could not be read. What a newer version
// wrote is not damage, and the message says so.
func entryError(seq uint64, typ string, err error) error {
	if errors.Is(err, events.ErrNewer) {
		return fmt.Errorf("read journal entry %d (%s): %w; install that version to go on", seq, typ, err)
	}
	return fmt.Errorf("read journal entry %d (%s): %w", seq, typ, err)
}

// sameWhenRead returns d as a later reading of the journal will give it, so
// that those who follow live get the same as those who read: a pointer
// becomes a value, and bytes that are no UTF-8 what JSON makes of them. An
// empty slice may still stand where a reader gets nil.
func sameWhenRead(d events.Data, typ string, payload []byte) (events.Data, error) {
	if reflect.TypeOf(d).Kind() != reflect.Pointer && !bytes.Contains(payload, []byte(`\ufffd`)) {
		return d, nil
	}
	return events.Decode(typ, payload)
}

// escape percent-encodes as section 3.1.3.2 of the binding asks: space, '"',
// '%' and everything outside printable ASCII.
func escape(s string) string {
	plain := func(c byte) bool { return c > ' ' && c < 0x7f && c != '"' && c != '%' }
	i := 0
	for i < len(s) && plain(s[i]) {
		i++
	}
	if i == len(s) {
		return s
	}
	var b strings.Builder
	b.WriteString(s[:i])
	for ; i < len(s); i++ {
		if plain(s[i]) {
			b.WriteByte(s[i])
		} else {
			fmt.Fprintf(&b, "%%%02X", s[i])
		}
	}
	return b.String()
}

func unescape(s string) (string, error) {
	t, err := url.PathUnescape(s)
	if err != nil || !utf8.ValidString(t) {
		return "", fmt.Errorf("subject %q is not percent-encoded UTF-8", s)
	}
	return t, nil
}
