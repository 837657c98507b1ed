package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"witnessmark/events"
)

// LampAlert is an open alert as a lamp at a bench box needs it.
type LampAlert struct {
	Alert  string           `json:"alert"`
	Kind   events.AlertKind `json:"kind"`
	Bench  string           `json:"bench"`
	Blocks bool             `json:"blocks"`
}

// LampState is how the lamps and horns of a bench box are.
type LampState struct {
	Lamps   int    `json:"lamps"` // 0: it has none
	Lit     int    `json:"lit"`
	Trouble string `json:"trouble,omitempty"` // why one cannot be switched
}

func boxLamps(box string) string { return "wm.box." + box + ".lamps" }

// lampWait is how long a bench box may take to answer.
const lampWait = 2 * time.Second

// TellLamps tells a bench box all alerts that its lamps may show now, and
// returns how they are. It is said again and again: a lamp whose shop is silent
// goes out, as nobody knows then what is open.
func (j *Journal) TellLamps(ctx context.Context, box string, open []LampAlert) (state LampState, err error) {
	s, err := j.waitSession(ctx)
	if err != nil {
		return state, err
	}
	b, err := json.Marshal(open)
	if err != nil {
		return state, err
	}
	ctx, cancel := context.WithTimeout(ctx, lampWait)
	defer cancel()
	m, err := s.nc.RequestWithContext(ctx, boxLamps(box), b)
	if err == nil {
		err = json.Unmarshal(m.Data, &state)
	}
	if err != nil {
		return state, fmt.Errorf("tell the lamps of bench box %q: %w", box, err)
	}
	return state, nil
}

// hearLamps lets a bench box be told.
func (s *session) hearLamps(box string, told func([]LampAlert) LampState) error {
	_, err := s.nc.Subscribe(boxLamps(box), func(m *nats.Msg) {
		var open []LampAlert
		var state LampState
		if err := json.Unmarshal(m.Data, &open); err != nil {
			return // nobody who may speak here says such a thing
		}
		if told != nil {
			state = told(open)
		}
		if b, err := json.Marshal(state); err == nil {
			_ = m.Respond(b) // it is asked again soon
		}
	})
	return err
}
