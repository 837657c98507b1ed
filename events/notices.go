package events

// Results of a notice.
const (
	NoticeSending = "sending" // about to be sent; if nothing follows, whether it left is not known
	NoticeSent    = "sent"    // the other side has taken it
	NoticeFailed  = "failed"  // not sent; it is tried again
	NoticeGivenUp = "given_up"
)

// NoticeTried says how a try to carry an alert out of the house went: to a
// webhook, a mailbox, a lamp or horn.
type NoticeTried struct {
	Alert  string  `json:"alert"`
	Route  string  `json:"route"` // name of the route, as it is configured
	Way    string  `json:"way"`   // "webhook", "mail", "relay"
	Result string  `json:"result"`
	Try    int     `json:"try"` // 1, 2, 3 …
	Detail string  `json:"detail,omitempty"`
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (NoticeTried) EventType() (string, int) { return "notice.tried", 1 }
