package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"witnessmark/events"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
)

// boxedShopFile is a shop whose one wrench is plugged into a bench box.
const boxedShopFile = `shop: fenholt
name: Fenholt Driveline
units: {torque: N·m, length: mm}
benches:
  - {id: axle, name: Axle bench}
people:
  - {id: tech, name: Technician, role: technician}
  - {id: lead, name: Lead, role: lead}
tools:
  - {id: k2, name: Wrench, kind: torque_wrench, serial: S1, range: 1 N·m to 500 N·m, uncertainty: 1 %%, calibrated: %s, due: %s, interval: {months: 12, cycles: none}}
devices:
  - {id: k2, tool: k2, bench: axle, box: axle-box, profile: orrin-k2, port: k2}
boxes:
  - {id: axle-box, key: %s}
`

// TestLampOverTheBoxLink: an alert that a pull at a bench box raises at the shop
// switches the lamp at that box on, and its acknowledgement off. When the shop
// goes away the lamp goes out; when it is back, the lamp shows what is open
// then, and nothing that was settled before.
func TestLampOverTheBoxLink(t *testing.T) {
	if testing.Short() {
		t.Skip("takes long")
	}
	t.Parallel() // it waits for the most part
	master, slave, err := pty.Open()
	if err != nil {
		t.Skip("SKIPPED: no pseudo-terminals: ", err)
	}
	defer slave.Close()
	defer master.Close()
	var mu sync.Mutex
	var got []byte
	go func() {
		b := make([]byte, 64)
		for {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			mu.Lock()
			got = append(got, b[:n]...)
			mu.Unlock()
		}
	}()
	const on, off = "\xa0\x01\x01\xa2", "\xa0\x01\x00\xa1"
	lamp := func() (last string, times int) {
		mu.Lock()
		defer mu.Unlock()
		return string(got[max(0, len(got)-4):]), bytes.Count(got, []byte(on))
	}
	is := func(what, want string) {
		t.Helper()
		until(t, what, func() bool { last, _ := lamp(); return last == want })
	}

	dir := t.TempDir()
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	at, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	example, err := said(t, "shop", "example")
	if err != nil {
		t.Fatal(err)
	}
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax, cfg.BoxesListen = filepath.Join(dir, "shop"), "127.0.0.1:0", "error", "1 MiB", "1 GiB", at
	boxKeys := filepath.Join(dir, "axle-box.json")
	if out, err := said(t, "bench-box", "enrol", "axle-box", "--address", at, "--data", cfg.Data, "--shop", file("example.yaml", example), "-o", boxKeys); err != nil {
		t.Fatal(out, err)
	}
	keys, err := readBoxFile(boxKeys)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now().UTC()
	cfg.Shop = file("shop.yaml", fmt.Sprintf(boxedShopFile, now.AddDate(0, 0, -2).Format(time.DateOnly), now.AddDate(1, 0, 0).Format(time.DateOnly), keys.Key))
	shop, err := readShop(cfg.Shop)
	if err != nil {
		t.Fatal(err)
	}
	run := func(what string, fn func(context.Context) error) (stop func()) {
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- fn(ctx) }()
		return sync.OnceFunc(func() {
			cancel()
			if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
				t.Errorf("%s: %v", what, err)
			}
		})
	}
	startShop := func() (*stack, func()) {
		t.Helper()
		s, err := openStack(t.Context(), cfg, shop)
		if err != nil {
			t.Fatal(err)
		}
		ready := make(chan struct{})
		stop := run("shop", func(ctx context.Context) error {
			return s.run(ctx, func(context.Context) error { close(ready); return nil })
		})
		t.Cleanup(stop)
		wait(t, "the shop", ready)
		return s, stop
	}

	boxCfg := cfg
	boxCfg.Data, boxCfg.Box, boxCfg.BoxesListen = filepath.Join(dir, "box"), boxKeys, ""
	boxCfg.Alerts = file("alerts.yaml", "routes:\n- name: lamp\n  all: true\n  relay: {port: \""+slave.Name()+"\", on: A00101A2, off: A00100A1}\n")
	wrench, ours := net.Pipe()
	boxCfg.openPort = func(string, profile.Line) (ingest.Port, error) { return ours, nil }
	box, err := openBox(t.Context(), boxCfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(run("box", box.run))
	is("off at the start", off)

	s, stop := startShop()
	ask := func(a events.Asker) {
		t.Helper()
		if err := (desk{s.service}).ask(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	// lampOf waits until the shop knows how the lamp is.
	lampOf := func(what string, lit int) {
		t.Helper()
		until(t, what, func() bool {
			st := s.boxStatus()
			return len(st) == 1 && st[0].Up && st[0].Lamps == 1 && st[0].Lit == lit && st[0].LampTrouble == ""
		})
	}
	lampOf("the shop knows of a lamp that is off", 0)
	ask(offer(events.Ask{By: "lead"}, []byte(fourBolts)))
	ask(events.JobAsked{Ask: events.Ask{By: "tech", Bench: "axle"}, Job: "j-1", UnitSerial: "U-1", Procedure: "FOUR"})
	body := "0001;P;+061,50;NM;A0155;OK" // above the limit of 54 N·m
	sum := byte(0)
	for _, c := range []byte(body) {
		sum += c
	}
	if _, err := fmt.Fprintf(wrench, "#%s*%02X\r\n", body, sum); err != nil {
		t.Fatal(err)
	}
	is("on for a pull that is too high", on)
	lampOf("the shop knows that it is on", 1)
	if resp, err := http.Get(s.url() + "/devices"); err != nil {
		t.Error(err)
	} else {
		var page bytes.Buffer
		_, _ = page.ReadFrom(resp.Body)
		resp.Body.Close()
		if !strings.Contains(page.String(), "ON: 1 of 1") {
			t.Error("the page of devices does not say that the lamp is on")
		}
	}

	stop()
	is("out when the shop is silent", off)
	s, stop = startShop()
	is("on again: the alert is open still", on)
	lit := s.openAlerts()
	if len(lit) == 0 {
		t.Fatal("no alert is open")
	}
	for _, a := range lit {
		ask(events.AlertAckAsked{Ask: events.Ask{By: "tech", Bench: "axle"}, Alert: a.Alert})
	}
	is("off when it is acknowledged", off)

	stop()
	_, before := lamp()
	s, stop = startShop()
	lampOf("the shop is back", 0)
	stop()
	if last, times := lamp(); last != off || times != before {
		t.Errorf("back without an alert, the lamp was switched on %d times; last % x", times-before, last)
	}
}
