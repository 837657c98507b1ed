package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/ingest"
)

// finding is what doctor says of one thing.
type finding struct {
	What  string `json:"what"`
	State string `json:"state"` // "good", "note", "wrong"
	Text  string `json:"text"`
	Todo  string `json:"todo,omitempty"`
}

func newDoctor() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Check ports and permissions, store, disk space, clock, NATS; say what to do",
		Long: `Looks at everything that the service needs and says what is wrong and what to do
about it. It changes nothing. Exit status 1 if something is wrong.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			found := examine(c.Context(), cfg)
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				err = enc.Encode(found)
			} else {
				err = writeFindings(c.OutOrStdout(), found)
			}
			if err != nil {
				return err
			}
			for _, f := range found {
				if f.State == "wrong" {
					return exitCode{status: 1}
				}
			}
			return nil
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "data", "shop", "listen", "tls_cert", "tls_key", "nats_url", "profiles", "min_free")
	return cmd
}

func writeFindings(w io.Writer, found []finding) error {
	var b strings.Builder
	for _, f := range found {
		fmt.Fprintf(&b, "%-5s  %-10s %s\n", f.State, f.What, f.Text)
		if f.Todo != "" {
			fmt.Fprintf(&b, "       to do:     %s\n", f.Todo)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func examine(ctx context.Context, cfg config) []finding {
	var found []finding
	shop, f := examineShop(cfg)
	found = append(found, f)
	running := serviceRuns(ctx, cfg)
	found = append(found, examineData(cfg), examineDisk(cfg), examineLedger(ctx, cfg), examineClock(), examineFiles(), examineService(ctx, cfg, running))
	found = append(found, examineHistory(ctx, cfg)...)
	found = append(found, examineListen(cfg, running), examineTLS(cfg))
	found = append(found, examineAccess(cfg, shop)...)
	found = append(found, examineLink(ctx, cfg)...)
	found = append(found, examinePorts()...)
	return append(found, examineDevices(cfg, shop)...)
}

func examineShop(cfg config) (events.Shop, finding) {
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return shop, finding{"shop file", "wrong", err.Error(), "'witnessmark shop example' prints one that is right"}
	}
	if wrong := wrongDates(shop.Tools, time.Now()); len(wrong) > 0 {
		return shop, finding{"shop file", "wrong", strings.Join(wrong, "; "), "correct the shop file, or the clock: readings before a tool was calibrated are refused"}
	}
	return shop, finding{What: "shop file", State: "good", Text: fmt.Sprintf("%s: %s, %d devices", cfg.Shop, shop.Name, len(shop.Devices))}
}

func examineData(cfg config) finding {
	dir := cfg.Data
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		return finding{"store", "note", fmt.Sprintf("%s is not there yet; the first start makes it", dir), ""}
	}
	if err := checkShut(dir); err != nil {
		return finding{"store", "wrong", err.Error(), "start the shop where it goes on"}
	}
	f, err := os.CreateTemp(dir, ".doctor-*")
	if err != nil {
		return finding{"store", "wrong", fmt.Sprintf("cannot write to %s: %v", dir, err), "give this user the right to write there, or name another directory with --data"}
	}
	name := f.Name()
	err = errors.Join(f.Sync(), f.Close(), os.Remove(name))
	if err != nil {
		return finding{"store", "wrong", fmt.Sprintf("cannot sync files in %s: %v", dir, err), "check the disk"}
	}
	return finding{What: "store", State: "good", Text: dir + " can be written and synced"}
}

func examineDisk(cfg config) finding {
	dir := cfg.Data
	for {
		if _, err := os.Stat(dir); err == nil || dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return finding{"disk", "wrong", fmt.Sprintf("read free space of %s: %v", dir, err), "check the disk"}
	}
	free := st.Bavail * uint64(st.Bsize)
	least, _ := parseSize(cfg.MinFree) // validated
	text := fmt.Sprintf("%s free; readings are refused below %s", formatSize(free), formatSize(least))
	switch {
	case free < least:
		return finding{"disk", "wrong", text, "free some space now: no reading is taken"}
	case free < 4*least:
		return finding{"disk", "note", text, "free some space soon"}
	}
	return finding{What: "disk", State: "good", Text: text}
}

func examineLedger(ctx context.Context, cfg config) finding {
	if _, err := os.Stat(cfg.ledgerPath()); errors.Is(err, os.ErrNotExist) {
		return finding{What: "ledger", State: "note", Text: "none yet; it is built from the journal at the first start"}
	}
	l, err := ledger.Open(ctx, ledger.Config{Path: cfg.ledgerPath(), ReadOnly: true})
	if err != nil {
		return finding{"ledger", "wrong", err.Error(), "stop the service and run 'witnessmark rebuild'; nothing is lost, the journal is the truth"}
	}
	defer l.Close()
	return finding{What: "ledger", State: "good", Text: fmt.Sprintf("%s is at journal sequence %d", cfg.ledgerPath(), l.Position())}
}

// examineClock asks the kernel whether something keeps the clock right.
func examineClock() finding {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return finding{"clock", "note", fmt.Sprintf("cannot ask the kernel about the clock: %v", err), "make sure by hand that it is right"}
	}
	if state == unix.TIME_ERROR || t.Status&unix.STA_UNSYNC != 0 {
		return finding{"clock", "note", "nothing keeps this machine's clock in step", "switch on time synchronisation (NTP): records say when; order is safe without it"}
	}
	return finding{What: "clock", State: "good", Text: fmt.Sprintf("in step; largest error the kernel admits %.0f ms", float64(t.Maxerror)/1000)}
}

// examineFiles looks at how many files and connections a process of this user
// may have open.
func examineFiles() finding {
	var l unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &l); err != nil {
		return finding{"files", "note", fmt.Sprintf("cannot read the limit of open files: %v", err), "make sure that it is 1,024 or more"}
	}
	text := fmt.Sprintf("a process may open %d files", l.Max)
	if l.Max < leastFiles {
		return finding{"files", "wrong", text, fmt.Sprintf("raise the hard limit to %d or more: LimitNOFILE= of the service, or ulimit -Hn", leastFiles)}
	}
	return finding{What: "files", State: "good", Text: text}
}

func serviceRuns(ctx context.Context, cfg config) bool {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", cfg.Listen)
	if err != nil {
		return false
	}
	_ = c.Close() // only looked whether somebody answers
	return true
}

func examineService(ctx context.Context, cfg config, running bool) finding {
	if !running {
		return finding{What: "service", State: "note", Text: "nothing answers at " + cfg.Listen, Todo: "start it with 'witnessmark serve'"}
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	server := serverAt(cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return finding{"service", "wrong", err.Error(), "correct the settings tls_cert and tls_key"}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, server+"/readyz", nil)
	if err != nil {
		return finding{"service", "wrong", err.Error(), "correct the setting listen"}
	}
	resp, err := client.Do(req)
	if err != nil {
		return finding{"service", "wrong", fmt.Sprintf("something at %s does not answer: %v", cfg.Listen, err), "see who holds that address, or choose another with --listen"}
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(io.LimitReader(resp.Body, 2000)) // what there is will do
	text := strings.TrimSpace(string(body))
	if resp.StatusCode != http.StatusOK {
		return finding{"service", "wrong", fmt.Sprintf("running, not ready: %s", text), "the text says what it waits for"}
	}
	return finding{What: "service", State: "good", Text: "running and ready at " + server}
}

func examinePorts() []finding {
	ports, err := ingest.ListPorts()
	if err != nil {
		return []finding{{"ports", "wrong", err.Error(), "check that serial ports are there: ls -l /dev/tty*"}}
	}
	if len(ports) == 0 {
		return []finding{{What: "ports", State: "note", Text: "no serial port on this machine", Todo: "plug a tool in; on a virtual machine pass the USB device through"}}
	}
	var found []finding
	for _, p := range ports {
		f := finding{What: "port", State: "good", Text: p.String()}
		if p.Problem != "" {
			f.State, f.Text, f.Todo = "note", p.String()+": "+p.Problem, p.Todo
		}
		found = append(found, f)
	}
	return found
}

func examineDevices(cfg config, shop events.Shop) []finding {
	var found []finding
	open := profiles(cfg.Profiles)
	for _, d := range shop.Devices {
		p, err := open(d.Profile)
		if err != nil {
			found = append(found, finding{"device", "wrong", fmt.Sprintf("%s: %v", d.ID, err), "name a shipped profile or put your own into the directory of the setting profiles"})
			continue
		}
		text := fmt.Sprintf("%s reads with profile %s", d.ID, p.Name())
		for _, t := range shop.Tools {
			if t.ID == d.Tool && (t.Kind == events.ToolTorqueWrench || t.Kind == events.ToolTorqueTester) {
				text += ": " + reportsText(t.Reports)
			}
		}
		found = append(found, finding{What: "device", State: "good", Text: text})
	}
	return found
}
