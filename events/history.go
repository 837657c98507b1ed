package events

// SourceClockSet and SourceRestore are the sources of what the service notes about
// this machine's clock, and about where the shop comes from.
const (
	SourceClockSet = "clock/set"
	SourceRestore  = "restore"
)

// ClockStepped says that the wall clock of the shop's machine was set while the
// service ran, as measured against a clock that nobody sets. Times of events
// before and after it do not fit together; their order does.
type ClockStepped struct {
	FromUs Instant `json:"from_us"` // what the wall clock would have said
	ToUs   Instant `json:"to_us"`   // what it said
	ByUs   int64   `json:"by_us"`   // forward if above 0
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (ClockStepped) EventType() (string, int) { return "clock.stepped", 1 }

// ShopRestored says that from here on the journal goes on in a data directory
// that was made from a backup. What was recorded elsewhere between MadeUs and
// RestoredUs is not in it, unless the shop was moved in order.
type ShopRestored struct {
	Backup     string  `json:"backup"`          // the backup's id
	Manifest   string  `json:"manifest_sha256"` // of its manifest.json, hex
	Last       uint64  `json:"last_seq"`        // the last entry that came with it
	Sealed     uint64  `json:"sealed_to"`       // entries under the newest seal that came with it
	Moved      bool    `json:"moved"`           // the machine that it was made on was shut first
	MadeUs     Instant `json:"made_us"`
	RestoredUs Instant `json:"restored_us"`
	By         string  `json:"by,omitempty"` // the user of the operating system who restored it
	AtUs       Instant `json:"at_us"`        // of the first start after it
}

// EventType implements Data.
func (ShopRestored) EventType() (string, int) { return "shop.restored", 1 }

// Kinds of JobNoted.
const (
	NotedClock   = "clock_stepped"
	NotedRestore = "shop_restored"
)

// JobNoted puts into the record of a job what happened around it while it was
// open, and that whoever reads its times or counts its readings must know.
type JobNoted struct {
	Job  string  `json:"job"`
	Kind string  `json:"kind"` // see the Noted constants
	Text string  `json:"text"` // for people
	AtUs Instant `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (JobNoted) OutcomeType() (string, int) { return "job.noted", 1 }
