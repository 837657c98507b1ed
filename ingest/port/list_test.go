package port

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// fakeSystem lays out /sys as the kernel does (kernel documentation,
// sysfs-bus-usb and sysfs-tty): two like adapters, a CDC tool, a real and a
// placeholder port of the board, and a console.
func fakeSystem(t *testing.T) system {
	t.Helper()
	root := t.TempDir()
	s := system{dev: filepath.Join(root, "dev"), sys: filepath.Join(root, "sys")}
	put := func(path, text string) {
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	tty := func(name, device string) {
		put("dev/"+name, "")
		put("sys/class/tty/"+name+"/dev", "188:0")
		full := filepath.Join(root, "sys/devices", device)
		if err := os.MkdirAll(full, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(full, filepath.Join(root, "sys/class/tty", name, "device")); err != nil {
			t.Fatal(err)
		}
	}
	usb := func(dir, vendor, product, serial, maker, title string) {
		put("sys/devices/"+dir+"/idVendor", vendor)
		put("sys/devices/"+dir+"/idProduct", product)
		if serial != "" {
			put("sys/devices/"+dir+"/serial", serial)
		}
		put("sys/devices/"+dir+"/manufacturer", maker)
		put("sys/devices/"+dir+"/product", title)
	}
	usb("usb1/1-1", "0403", "6001", "A10", "Adapters", "Serial")
	usb("usb1/1-2", "0403", "6001", "A11", "Adapters", "Serial")
	usb("usb1/1-3", "1fc9", "00a3", "", "", "")
	tty("ttyUSB10", "usb1/1-1/1-1:1.0/ttyUSB10")
	tty("ttyUSB2", "usb1/1-2/1-2:1.0/ttyUSB2")
	tty("ttyACM0", "usb1/1-3/1-3:1.0")
	tty("ttyS0", "pnp0/00:05")
	tty("ttyS1", "platform/serial8250")
	tty("ttyS2", "pnp0/00:06")
	put("sys/class/tty/ttyS0/type", "4")
	put("sys/class/tty/ttyS1/type", "0")
	put("sys/class/tty/ttyS2/type", "4")
	put("sys/class/tty/ttyS2/console", "Y")
	put("sys/class/tty/tty1/dev", "4:1") // a virtual terminal: no device
	return s
}

func TestList(t *testing.T) {
	s := fakeSystem(t)
	ports, err := s.list()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range ports {
		line := strings.TrimPrefix(p.String(), s.dev+"/")
		if p.Problem != "" {
			line += " | " + p.Problem
		}
		got = append(got, line)
	}
	want := []string{
		"ttyACM0: USB 1FC9:00A3",
		"ttyS0",
		"ttyS1 | a placeholder, nothing is behind it",
		"ttyS2 | it is the system's console",
		"ttyUSB2: USB 0403:6001 serial A11 (Adapters Serial)",
		"ttyUSB10: USB 0403:6001 serial A10 (Adapters Serial)",
	}
	if !slices.Equal(got, want) {
		t.Errorf("ports\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if p := ports[3]; p.Todo == "" {
		t.Errorf("%s: no advice", p)
	}
}

func TestFind(t *testing.T) {
	s := fakeSystem(t)
	tests := []struct {
		name string
		id   USB
		port string
		kind Kind
		says string
	}{
		{"by serial number", USB{"0403", "6001", "A11"}, "ttyUSB2", "", ""},
		{"only one of its kind, other spelling", USB{"0x1FC9", "a3", ""}, "ttyACM0", "", ""},
		{"two alike", USB{"403", "6001", ""}, "", Unusable, "serial number"},
		{"not plugged in", USB{"0403", "6001", "A12"}, "", Absent, "serial A11"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := s.find(tt.id)
			if tt.kind != "" {
				wantKind(t, err, tt.kind, tt.says)
				return
			}
			if err != nil || got != filepath.Join(s.dev, tt.port) {
				t.Errorf("found %q, %v; want %s", got, err, tt.port)
			}
		})
	}
}

func TestHostList(t *testing.T) {
	if _, err := os.Stat("/sys/class/tty"); err != nil {
		t.Skip("SKIPPED: no /sys here")
	}
	ports, err := List()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ports {
		t.Logf("%s | %s | %s", p, p.Problem, p.Todo)
	}
}

func TestAbsentListsWhatThereIs(t *testing.T) {
	s := fakeSystem(t)
	_, err := s.open(filepath.Join(s.dev, "ttyUSB7"), line)
	wantKind(t, err, Absent, "ttyUSB2", "ttyS0", "plug the tool in")
	if strings.Contains(err.Error(), "ttyS1") || strings.Contains(err.Error(), "ttyS2") {
		t.Errorf("%v: names a port that is none for tools", err)
	}
}

func TestPermissionAdvice(t *testing.T) {
	tests := []struct {
		name          string
		mode          uint32
		group         string
		member        bool
		problem, todo string
	}{
		{"usual", 0o660, "dialout", false, "group dialout", "usermod -aG dialout"},
		{"member already", 0o660, "dialout", true, "although", "policy"},
		{"group may not", 0o600, "root", false, "may not", "udev rule"},
		{"group root", 0o660, "root", false, "group root", "udev rule"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			problem, todo := permissionAdvice(tt.mode, tt.group, tt.member)
			if !strings.Contains(problem, tt.problem) || !strings.Contains(todo, tt.todo) {
				t.Errorf("%q: %q; want %q: %q", problem, todo, tt.problem, tt.todo)
			}
		})
	}
}

func TestLockPID(t *testing.T) {
	// Form as in proc_locks(5).
	locks := "1: POSIX  ADVISORY  WRITE 568 fe:00:99 0 EOF\n2: FLOCK  ADVISORY  WRITE 4711 00:18:5 0 EOF\n2: -> FLOCK  ADVISORY  WRITE 4712 00:18:5 0 EOF\n"
	if got := lockPID(locks, "00:18:5"); got != 4711 {
		t.Errorf("holder %d, want 4711", got)
	}
	if got := lockPID(locks, "00:18:6"); got != 0 {
		t.Errorf("holder %d, want none", got)
	}
}
