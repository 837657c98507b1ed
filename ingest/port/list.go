package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// Info is a serial port of this machine.
type Info struct {
	Name    string // "/dev/ttyUSB0"
	USB     bool
	Vendor  string // USB vendor and product, four upper-case hexadecimal digits
	Product string
	Serial  string // USB serial number; may be empty
	Maker   string // USB manufacturer and product name, as the adapter says
	Title   string
	Nothing bool   // a placeholder: no hardware behind it
	Console bool   // the system's console: not for tools
	Problem string // why it cannot be used, for people; "" if it can
	Todo    string // what to do about Problem
}

// String describes the port in one line.
func (i Info) String() string {
	if !i.USB {
		return i.Name
	}
	s := fmt.Sprintf("%s: USB %s:%s", i.Name, i.Vendor, i.Product)
	if i.Serial != "" {
		s += " serial " + i.Serial
	}
	if t := strings.TrimSpace(i.Maker + " " + i.Title); t != "" {
		s += " (" + t + ")"
	}
	return s
}

// List returns the serial ports of this machine, sorted by name, placeholders
// included and marked.
//
// It reads /sys and opens no port. The library's own list opens every
// /dev/ttyS* at 9600 baud to see whether it is real: as root that would change
// the baud rate of a port that is being read. And one adapter that is pulled
// out meanwhile would fail its whole list.
func List() ([]Info, error) { return host.list() }

// USB is the identity of a USB adapter or tool.
type USB struct {
	Vendor, Product string // hexadecimal, any case
	Serial          string // "" matches any
}

func (u USB) String() string {
	s := fmt.Sprintf("USB %s:%s", hex4(u.Vendor), hex4(u.Product))
	if u.Serial != "" {
		s += " serial " + u.Serial
	}
	return s
}

// Find returns the name of the port with a USB identity. None, or more than
// one, is an *Error of kind Absent or Unusable.
func Find(id USB) (string, error) { return host.find(id) }

// system is where the machine's devices are described; tests have others.
type system struct{ dev, sys string }

var host = system{dev: "/dev", sys: "/sys"}

func (s system) find(id USB) (string, error) {
	ports, err := s.list()
	if err != nil {
		return "", err
	}
	var got []string
	for _, p := range ports {
		if p.USB && p.Vendor == hex4(id.Vendor) && p.Product == hex4(id.Product) &&
			(id.Serial == "" || p.Serial == id.Serial) {
			got = append(got, p.Name)
		}
	}
	switch len(got) {
	case 1:
		return got[0], nil
	case 0:
		return "", &Error{Kind: Absent, Port: id.String(), Err: fs.ErrNotExist,
			Detail: "it is not plugged in: plug it in (" + s.plugged(ports) + ")"}
	}
	return "", &Error{Kind: Unusable, Port: id.String(),
		Detail: "more than one is plugged in (" + strings.Join(got, ", ") + "): name the serial number in the shop file, or the port"}
}

func (s system) plugged(ports []Info) string {
	var usb []string
	for _, p := range ports {
		if p.USB {
			usb = append(usb, p.String())
		}
	}
	if len(usb) == 0 {
		return "no USB serial port is there now"
	}
	return "there are: " + strings.Join(usb, "; ")
}

// hex4 writes a USB number as Info does: "403" and "0x0403" are "0403".
func hex4(s string) string {
	s = strings.TrimPrefix(strings.ToUpper(strings.TrimSpace(s)), "0X")
	return strings.Repeat("0", max(0, 4-len(s))) + s
}

func (s system) list() ([]Info, error) {
	class := filepath.Join(s.sys, "class/tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	var out []Info
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
		if err != nil {
			continue // a virtual terminal, or just pulled out
		}
		i := Info{Name: filepath.Join(s.dev, e.Name()), Console: attr(dir, "console") == "Y"}
		// Type 0 is the kernel's PORT_UNKNOWN: a placeholder (serial_core.h).
		i.Nothing = attr(dir, "type") == "0"
		i.usb(device)
		i.judge()
		out = append(out, i)
	}
	slices.SortFunc(out, func(a, b Info) int { return compareNames(a.Name, b.Name) })
	return out, nil
}

// usb fills in the USB part: the first directory upwards that has idVendor. A
// CDC device is one level below it, a serial adapter two.
func (i *Info) usb(device string) {
	for dir, n := device, 0; n < 4; dir, n = filepath.Dir(dir), n+1 {
		vendor := attr(dir, "idVendor")
		if vendor == "" {
			continue
		}
		i.USB, i.Vendor, i.Product = true, hex4(vendor), hex4(attr(dir, "idProduct"))
		i.Serial, i.Maker, i.Title = attr(dir, "serial"), attr(dir, "manufacturer"), attr(dir, "product")
		return
	}
}

// judge says whether the port can be used by us.
func (i *Info) judge() {
	switch {
	case i.Nothing:
		i.Problem, i.Todo = "a placeholder, nothing is behind it", "leave it; nothing is wrong"
		return
	case i.Console:
		i.Problem, i.Todo = "it is the system's console", "leave it; plug the tool in elsewhere"
		return
	}
	err := unix.Access(i.Name, unix.R_OK|unix.W_OK)
	switch {
	case errors.Is(err, fs.ErrPermission):
		i.Problem, i.Todo = whyDenied(i.Name)
	case errors.Is(err, fs.ErrNotExist):
		i.Problem, i.Todo = "the kernel knows it, but its file is missing", "check udev, or pass the device into the container"
	case err != nil:
		i.Problem, i.Todo = err.Error(), "check the machine's log"
	}
}

// attr reads an attribute of /sys; "" if there is none.
func attr(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// compareNames sorts ttyUSB2 before ttyUSB10.
func compareNames(a, b string) int {
	stem := func(s string) string { return strings.TrimRight(s, "0123456789") }
	if sa, sb := stem(a), stem(b); sa != sb || len(a) == len(b) {
		return strings.Compare(a, b)
	}
	return len(a) - len(b)
}
