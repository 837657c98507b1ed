package simulator

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"time"

	"witnessmark/events/quantity"
)

// Model is a family of invented tools; its name is also that of the profile
// that reads it.
type Model string

// The models.
const (
	OrrinK2  Model = "orrin-k2"  // torque wrench with angle, pushes a line
	VelmS5   Model = "velm-s5"   // torque wrench, resends until it is answered
	TarnT9   Model = "tarn-t9"   // torque wrench with angle and trace, resends too
	SkerryF2 Model = "skerry-f2" // press gauge, streams lines while it is loaded
	QuarleP8 Model = "quarle-p8" // press gauge with a travel probe, streams lines while it is loaded
	PinnD3   Model = "pinn-d3"   // dial indicator, polled or streaming, binary
)

// presses reports whether a tool is a press gauge.
func (m Model) presses() bool { return m == SkerryF2 || m == QuarleP8 }

// resends reports whether a tool sends a reading again until it is answered.
func (m Model) resends() bool { return m == VelmS5 || m == TarnT9 }

// ToolSpec describes one emulated tool.
type ToolSpec struct {
	ID    string
	Model Model
	// Unit is what the user has set at the tool. K2: N·m, lbf·ft, lbf·in,
	// kgf·cm; S5: N·m, lbf·ft, lbf·in; T9: N·m, lbf·ft; D3: mm, in; F2: kN, lbf; P8: kN. Zero: N·m, mm or kN.
	Unit quantity.Unit
	// Bias is the tool's deviation, as a share of the reading: 0.002 reads
	// 0.2 % more than is true. Of a D3 it is not used.
	Bias float64
	// Counter is the number of the first reading; it wraps as the tool's does.
	Counter uint64
	// Resend is how long an S5 or a T9 waits for an answer; 0: 1.5 s and 2.5 s, as
	// their notes say.
	Resend time.Duration
	// Tries is how often such a tool sends a reading before it gives it up; 0:
	// 21, as their notes say.
	Tries int
	// Answered is told the number of each reading whose answer such a tool has
	// heard, as soon as it has; it may be nil.
	Answered func(counter uint64)
}

func (s ToolSpec) unit() quantity.Unit {
	switch {
	case !s.Unit.IsZero():
		return s.Unit
	case s.Model == PinnD3:
		return quantity.Millimetre
	case s.Model.presses():
		return quantity.Kilonewton
	}
	return quantity.NewtonMetre
}

// validate says what is wrong with s.
func (s ToolSpec) validate() error {
	if s.ID == "" {
		return errors.New("read tool: it has no id")
	}
	if _, ok := lineRates[s.Model]; !ok {
		return fmt.Errorf("read tool %s: no model %q; write %s, %s, %s, %s, %s or %s", s.ID, s.Model, OrrinK2, VelmS5, TarnT9, PinnD3, SkerryF2, QuarleP8)
	}
	return s.knows(s.unit())
}

func (s ToolSpec) knows(u quantity.Unit) error {
	if _, ok := unitWords[s.Model][u]; !ok {
		return fmt.Errorf("set unit of tool %s to %s: a %s does not have it", s.ID, u.Symbol(), s.Model)
	}
	return nil
}

// unitWords is how each model writes its units.
var unitWords = map[Model]map[quantity.Unit]string{
	OrrinK2:  {quantity.NewtonMetre: "NM", quantity.PoundFoot: "FTLB", quantity.PoundInch: "INLB", quantity.KilogramForceCm: "KGCM"},
	VelmS5:   {quantity.NewtonMetre: "1", quantity.PoundFoot: "2", quantity.PoundInch: "3"},
	TarnT9:   {quantity.NewtonMetre: "n", quantity.PoundFoot: "f"},
	PinnD3:   {quantity.Millimetre: "0", quantity.Inch: "1"},
	SkerryF2: {quantity.Kilonewton: "KN", quantity.PoundForce: "LBF"},
	QuarleP8: {quantity.Kilonewton: "KN"},
}

// lineRates is each model's line speed in baud.
var lineRates = map[Model]int{OrrinK2: 9600, VelmS5: 38400, TarnT9: 230400, PinnD3: 115200, SkerryF2: 57600, QuarleP8: 115200}

// Wire is what the line does to a reading.
type Wire struct {
	Garble int // times the frame is sent damaged before it is sent whole; a tool that sends once loses the reading
	Noise  int // bytes of noise before the frame
	Deaf   int // answers that the tool does not hear, so that it sends again
}

// Sent is a value that a tool reported.
type Sent struct {
	Tool    string
	Text    string // digits as sent, decimal point
	Unit    quantity.Unit
	Value   quantity.Value // Text in Unit
	Counter uint64         // the tool's own number; 0 of a D3
	At      time.Time      // by the stage's clock
	Arrives bool           // false: the line loses it for good
}

// Tool is an emulated tool in somebody's hand.
type Tool interface {
	// Pull reports a pull that has been made.
	Pull(ctx context.Context, p Pull, w Wire) (Sent, error)
	// Measure brings the probe from its rest position to a place and holds it
	// there until it is lifted.
	Measure(ctx context.Context, v quantity.Length, w Wire) (Sent, error)
	// Lift lets the probe go back to its rest position. A wrench has none.
	Lift() error
	// SetUnit is what the user does at the tool's buttons.
	SetUnit(u quantity.Unit) error
	// Plug puts the cable in or pulls it out. Once it is in again, what the tool
	// sends is lost, as on a port that nobody has opened, until Listened is
	// called or five seconds have passed.
	Plug(in bool) error
	// Listened says that the machine listens again.
	Listened()
}

// Device is an emulated tool that can be run: Run serves its line until ctx
// ends or the port is closed, and returns nil then.
type Device interface {
	Tool
	Run(ctx context.Context) error
}

// NewDevice makes the tool that spec describes, on a port. seed decides its
// noise.
func NewDevice(spec ToolSpec, port Port, clock Clock, seed uint64) (Device, error) {
	if err := spec.validate(); err != nil {
		return nil, err
	}
	b := &body{spec: spec, unit: spec.unit(), port: port, clock: clock, counter: spec.Counter, plugged: true,
		rng: rand.New(rand.NewPCG(seed, hash(spec.ID)))}
	switch spec.Model {
	case OrrinK2:
		return &k2{body: b}, nil
	case VelmS5:
		return newS5(b), nil
	case TarnT9:
		return newT9(b), nil
	case SkerryF2:
		return &f2{body: b}, nil
	case QuarleP8:
		return &p8{body: b}, nil
	}
	return newD3(b), nil
}

// hash is FNV-1a, so that each tool and each job has its own stream of
// chance and adding one changes no other.
func hash(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}

// body is what all models have.
type body struct {
	spec  ToolSpec
	port  Port
	clock Clock

	mu      sync.Mutex
	rng     *rand.Rand
	unit    quantity.Unit
	counter uint64
	plugged bool
	deaf    time.Time // until then nobody listens; by the wall, not by clock
}

// opening is how long a machine may take to open a port that came back.
const opening = 5 * time.Second

var errNoWrench, errNoIndicator = errors.New("it is no torque wrench"), errors.New("it is no dial indicator")

func (b *body) Pull(context.Context, Pull, Wire) (Sent, error) {
	return Sent{}, fmt.Errorf("pull with %s: %w", b.spec.ID, errNoWrench)
}

func (b *body) Measure(context.Context, quantity.Length, Wire) (Sent, error) {
	return Sent{}, fmt.Errorf("measure with %s: %w", b.spec.ID, errNoIndicator)
}

func (b *body) Lift() error { return nil }

func (b *body) SetUnit(u quantity.Unit) error {
	if err := b.spec.knows(u); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unit = u
	return nil
}

func (b *body) Plug(in bool) error {
	b.mu.Lock()
	b.plugged = in
	b.deaf = time.Now().Add(opening)
	b.mu.Unlock()
	return b.port.Plug(in)
}

func (b *body) Listened() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deaf = time.Time{}
}

// shown is what a wrench shows of a torque: its deviation added, a little
// noise (standard deviation 0.05 % of the reading), rounded to hundredths of
// its unit. It needs b.mu.
func (b *body) shown(p Pull) (text string, err error) {
	v := p.Peak.Value().In(b.unit) * (1 + b.spec.Bias + 0.0005*b.rng.NormFloat64())
	text = strconv.FormatFloat(v, 'f', 2, 64)
	if !(0 <= v && v < 100000) {
		return "", fmt.Errorf("show %s %s at %s: more than its display holds", text, b.unit.Symbol(), b.spec.ID)
	}
	return text, nil
}

// next counts a reading up to wrap and returns its number. It needs b.mu.
func (b *body) next(wrap uint64) uint64 {
	n := b.counter % wrap
	b.counter = n + 1
	return n
}

func (b *body) sent(text string, counter uint64) Sent {
	x, _ := strconv.ParseFloat(text, 64)
	return Sent{Tool: b.spec.ID, Text: text, Unit: b.unit, Value: quantity.Of(x, b.unit), Counter: counter, At: b.clock.Now(), Arrives: true}
}

// write sends bytes in three writes, at the pace of the line.
func (b *body) write(ctx context.Context, frame []byte) error {
	pace := time.Duration(10 * float64(time.Second) / float64(lineRates[b.spec.Model])) // one start, eight data, one stop bit
	b.mu.Lock()
	lost := time.Now().Before(b.deaf)
	b.mu.Unlock()
	if lost {
		return ctx.Err()
	}
	for _, piece := range pieces(frame) {
		if err := b.clock.Sleep(ctx, time.Duration(len(piece))*pace); err != nil {
			return err
		}
		if _, err := b.port.Write(piece); err != nil {
			return fmt.Errorf("write to the line of %s: %w", b.spec.ID, err)
		}
	}
	return nil
}

func pieces(frame []byte) [][]byte {
	third := len(frame)/3 + 1
	var all [][]byte
	for len(frame) > third {
		all, frame = append(all, frame[:third]), frame[third:]
	}
	return append(all, frame)
}

// noise draws bytes that no model begins a frame with. It needs b.mu.
func (b *body) noise(n int) []byte {
	var all []byte
	for len(all) < n {
		if c := byte(b.rng.UintN(256)); !strings.ContainsRune("#\x02\x03\xa5\r\n", rune(c)) {
			all = append(all, c)
		}
	}
	return all
}

// garble damages one byte of a frame, within the part that its check covers,
// so that it cannot pass. It needs b.mu.
func (b *body) garble(frame []byte) []byte {
	bad := append([]byte{}, frame...)
	i := 1 + b.rng.IntN(len(bad)/2)
	bad[i] ^= 1 << b.rng.UintN(3)
	return bad
}

// counts rounds v to whole counts of step.
func counts(v, step float64) int32 { return int32(math.Round(v / step)) }
