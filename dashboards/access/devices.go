package access

import (
	"context"
	"fmt"
	"slices"
	"time"

	"witnessmark/events"
)

// NewCode draws a code with which one device is enrolled, once, within
// CodeLimit. A screen has a bench.
func (k *Keeper) NewCode(v *Visit, kind, name, bench string) (string, error) {
	if kind != KindScreen && kind != KindMonitor {
		return "", &WeakError{fmt.Sprintf("%q is no kind of device.", kind), `Choose "screen" or "monitor".`}
	}
	if !goodName(name) {
		return "", &WeakError{"A device needs a name.", "Take 1 to 40 letters, digits, '-', '_' and '.'."}
	}
	c := code(2)
	k.mu.Lock()
	defer k.mu.Unlock()
	if slices.ContainsFunc(k.d.Devices, func(d Device) bool { return d.ID == name }) {
		return "", &WeakError{"There is a device of this name already.", "Take another name, or remove that device first."}
	}
	now := k.cfg.Now()
	for c, e := range k.codes {
		if !now.Before(e.until) || e.Name == name {
			delete(k.codes, c)
		}
	}
	k.codes[codeOf(c)] = enrolment{kind, bench, name, v.Person, now.Add(CodeLimit)}
	return c, nil
}

func goodName(s string) bool {
	if len(s) == 0 || len(s) > 40 {
		return false
	}
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.') {
			return false
		}
	}
	return true
}

// Enrol makes a device of the visitor who knows a code, and returns its token.
func (k *Keeper) Enrol(ctx context.Context, v *Visit, typed string) (token_ string, d Device, err error) {
	if err := k.try(ctx, v, "POST /enrol"); err != nil {
		return "", d, err
	}
	now := k.cfg.Now()
	want := codeOf(typed)
	var e enrolment
	found := false
	k.mu.Lock()
	for c, x := range k.codes { // all of them, so that the time tells nothing
		if sameText(c, want) && now.Before(x.until) {
			e, found = x, true
		}
	}
	if !found {
		k.mu.Unlock()
		return "", d, k.refuse(ctx, v, events.RefusedCode, "POST /enrol", "This enrolment code is not in force.",
			"Have an owner or lead draw a new one: it works once, within ten minutes.")
	}
	delete(k.codes, want)
	t := token()
	d = Device{ID: e.Name, Kind: e.Kind, Bench: e.Bench, Token: fingerprint(t), By: e.By, AtUs: events.InstantOf(now), SeenUs: events.InstantOf(now)}
	err = k.change(func(s *saved) { s.Devices = append(s.Devices, d) })
	if err != nil {
		k.codes[want] = e // nothing was changed
	}
	k.mu.Unlock()
	if err != nil {
		return "", d, err
	}
	k.tell(ctx, v, events.AccessChanged{What: events.AccessDeviceAdded, Device: d.ID, Bench: d.Bench, By: e.By})
	return t, d, nil
}

// Remove takes a device's token away.
func (k *Keeper) Remove(ctx context.Context, v *Visit, id string) error {
	k.mu.Lock()
	if !slices.ContainsFunc(k.d.Devices, func(d Device) bool { return d.ID == id }) {
		k.mu.Unlock()
		return &WeakError{"There is no device of this name.", "Look at the list again."}
	}
	err := k.change(func(s *saved) {
		s.Devices = slices.DeleteFunc(s.Devices, func(d Device) bool { return d.ID == id })
	})
	k.mu.Unlock()
	if err != nil {
		return err
	}
	k.tell(ctx, v, events.AccessChanged{What: events.AccessDeviceRemoved, Device: id})
	return nil
}

// Devices lists the enrolled devices, in the order in which they came.
func (k *Keeper) Devices() []Device {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.d.Devices)
}

// device returns the device that a token belongs to. k.mu is held.
func (k *Keeper) device(token string, now time.Time) (Device, bool) {
	want := fingerprint(token)
	for i := range k.d.Devices {
		d := &k.d.Devices[i]
		if !sameText(d.Token, want) {
			continue
		}
		if now.Sub(d.SeenUs.Time()) >= time.Hour {
			at := events.InstantOf(now)
			// If it cannot be kept, it is told less exactly.
			_ = k.change(func(s *saved) { s.Devices[i].SeenUs = at })
			return k.d.Devices[i], true
		}
		return *d, true
	}
	return Device{}, false
}
