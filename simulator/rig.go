package simulator

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sync/errgroup"
)

// RigConfig says which tools a Rig holds.
type RigConfig struct {
	// Dir is where a symbolic link to each tool's line is kept, under the
	// tool's id; it is made if it is not there. The paths stay the same when
	// a cable is pulled and put in again.
	Dir   string
	Tools []ToolSpec
	Seed  uint64 // of the tools' noise
	Clock Clock  // nil: WallClock(0), as quick as it goes
}

// Rig is a set of emulated tools on pseudo-terminals.
type Rig struct {
	dir     string
	devices map[string]Device
	lines   []*Line
}

// OpenRig opens a line for each tool. The tools work once Run runs. The Rig
// must be closed.
func OpenRig(cfg RigConfig) (_ *Rig, err error) {
	if cfg.Clock == nil {
		cfg.Clock = WallClock(0)
	}
	if err := os.MkdirAll(cfg.Dir, 0o755); err != nil {
		return nil, fmt.Errorf("make folder for the lines of the emulated tools: %w", err)
	}
	dir, err := filepath.Abs(cfg.Dir)
	if err != nil {
		return nil, err
	}
	r := &Rig{dir: dir, devices: map[string]Device{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.Close())
		}
	}()
	for _, spec := range cfg.Tools {
		if r.devices[spec.ID] != nil {
			return nil, fmt.Errorf("open emulated tools: %q is there twice", spec.ID)
		}
		line, err := OpenLine(r.Path(spec.ID))
		if err != nil {
			return nil, fmt.Errorf("open emulated tool %s: %w", spec.ID, err)
		}
		r.lines = append(r.lines, line)
		if r.devices[spec.ID], err = NewDevice(spec, line, cfg.Clock, cfg.Seed); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// Path returns the path of a tool's line, for the serial reader.
func (r *Rig) Path(tool string) string { return filepath.Join(r.dir, tool) }

// Tools returns the tools by id, for a Stage.
func (r *Rig) Tools() map[string]Tool {
	all := map[string]Tool{}
	for id, d := range r.devices {
		all[id] = d
	}
	return all
}

// Run serves the tools until ctx ends or the Rig is closed.
func (r *Rig) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	for _, d := range r.devices {
		group.Go(func() error { return d.Run(ctx) })
	}
	return group.Wait()
}

// Close ends all lines and removes their links.
func (r *Rig) Close() error {
	var err error
	for _, l := range r.lines {
		err = errors.Join(err, l.Close())
	}
	return err
}
