package main

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"witnessmark/events"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// commandProcedure is invented: a job without readings that asks, leaves
// something open and has a hold point.
const commandProcedure = `procedure: HAND
revision: A
title: "Steps by hand"
unit: Invented gearbox
steps:
  - id: strip
    title: Tear-down
    kind: attest
    statement: It is marked and off.
    marks: [{id: hub, what: paint mark on the hub}]
    opens: [{id: dowel, what: dowel left in, closes: {attest: The dowel is out, by: second_person}}]
  - id: build
    title: Build
    kind: attest
    statement: It sits.
    matches: [hub]
    facing: [{id: ring, what: snap ring, right: edge out, wrong: [edge in]}]
    stops: {what: ring, rings: [A], travel: {most: 4°}}
    apply: [{id: lips, kind: grease, what: seal grease, where: lips, never: friction faces}]
    hardens: [dowel]
    hold: lead
`

// What people attest, asked for at the command line, and refused with what to
// do where it cannot be so.
func TestAttestedAtTheCommandLine(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	b.shop.People = append(b.shop.People, events.Person{ID: "second", Name: "Second", Role: events.RoleTechnician, Badge: "FD-0412"})
	b.start()
	defer func() { b.stop() }()
	file := filepath.Join(t.TempDir(), "hand.yaml")
	if err := os.WriteFile(file, []byte(commandProcedure), 0o644); err != nil {
		t.Fatal(err)
	}
	server := "--server=" + b.url()
	job := func(verb string, more ...string) []string {
		return append([]string{"job", verb, "j-1", "--by", "tech", server}, more...)
	}
	mustSay(t, "HAND", "procedure", "release", file, "--by", "lead", server)
	mustSay(t, "is open", job("open", "--unit", "SN-1", "--procedure", "HAND", "--bench", "b00")...)
	mustRefuse(t, []string{"bad_clock", `"13" is no clock position`, "Give 1 to 12"}, job("item", "--step", "strip", "--item", "hub", "--answer", "13")...)
	mustRefuse(t, []string{"unknown_item", "paint mark on the hub"}, job("item", "--step", "strip", "--item", "hubb")...)
	mustSay(t, "recorded", job("item", "--step", "strip", "--item", "hub", "--answer", "7:30")...)
	mustSay(t, "attested", job("confirm", "--step", "strip")...)
	mustRefuse(t, []string{"own_loose_end"}, job("close", "--end", "dowel", "--answer", "out")...)
	mustRefuse(t, []string{"unknown_loose_end", "dowel left in"}, job("close", "--end", "dowl", "--answer", "out")...)
	mustSay(t, "is open", job("leave-open", "--what", "rag", "--closes", "the rag is out")...)
	mustRefuse(t, []string{"bad_choice", "edge out", "edge in"}, job("item", "--step", "build", "--item", "ring")...)
	mustSay(t, "recorded", job("item", "--step", "build", "--item", "hub", "--answer", "8")...)
	mustRefuse(t, []string{"no_right"}, job("decide-item", "--step", "build", "--item", "hub", "--choice", "accept", "--reason", "new hub")...)
	mustSay(t, "recorded", "job", "decide-item", "j-1", "--by", "lead", server, "--step", "build", "--item", "hub", "--choice", "accept", "--reason", "new hub")
	mustRefuse(t, []string{"it has no unit"}, job("item", "--step", "build", "--item", "A", "--travel", "3")...)
	mustSay(t, "recorded", job("item", "--step", "build", "--item", "A", "--answer", "stops", "--other", "stops", "--travel", "3.5°")...)
	mustSay(t, "recorded", job("item", "--step", "build", "--item", "lips")...)
	mustSay(t, "recorded", job("item", "--step", "build", "--item", "ring", "--answer", "1")...)
	mustSay(t, "recorded", "job", "decide-item", "j-1", "--by", "lead", server, "--step", "build", "--item", "ring", "--choice", "redo", "--reason", "looked again")
	mustSay(t, "recorded", job("item", "--step", "build", "--item", "ring", "--answer", rightWay(t))...)
	mustRefuse(t, []string{"loose_end", "dowel left in"}, job("confirm", "--step", "build")...)
	mustSay(t, "is closed", "job", "close", "j-1", "--end", "dowel", "--answer", "seen", "--by", "second", server)
	mustSay(t, "attested", job("confirm", "--step", "build")...)
	mustRefuse(t, []string{"only a lead"}, job("release-hold", "--step", "build")...)
	mustRefuse(t, []string{"unknown_badge"}, "job", "badge", "FD-9999", "--bench", "b00", server)
	mustSay(t, "is taken", "job", "badge", "FD-0412", "--bench", "b00", server)
	mustSay(t, "released", "job", "release-hold", "j-1", "--step", "build", "--by", "lead", server)
	mustRefuse(t, []string{"loose end", "rag"}, "job", "release", "j-1", "--by", "lead", server)
}

// rightWay is the number under which job j-1 offers the right way of the ring.
func rightWay(t *testing.T) string {
	t.Helper()
	p, problems := procedure.Parse("hand", []byte(commandProcedure))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	step, _ := p.Step("build")
	return strconv.Itoa(slices.Index(rules.Offered("j-1", "build", step.Item("ring")), 0) + 1)
}
