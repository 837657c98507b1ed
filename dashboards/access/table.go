package access

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
)

// Who is a set of those who may come: people by their role, devices by their
// kind, and whoever has not shown who they are.
type Who uint16

// The kinds of visitor.
const (
	Nobody  Who = 1 << iota // nobody is signed in, and it is no enrolled device
	Screen                  // an enrolled bench screen
	Monitor                 // an enrolled program that reads metrics
	Auditor
	Technician
	Metrology
	Lead
	Owner
)

// Kinds are all kinds of visitor with their names, in the order of the table.
var Kinds = []struct {
	Who  Who
	Name string
}{
	{Nobody, "nobody"}, {Screen, "screen"}, {Monitor, "monitor"}, {Auditor, "auditor"},
	{Technician, "technician"}, {Metrology, "metrology"}, {Lead, "lead"}, {Owner, "owner"},
}

const (
	work   = Technician | Lead | Owner   // a technician's work
	decide = Lead | Owner                // a lead's decisions
	care   = Metrology | Lead | Owner    // looking after tools
	people = Auditor | Technician | care // whoever is signed in
	look   = people | Screen             // pages that show the work
	all    = Nobody | Monitor | look     // what tells nothing
	hands  = work | Screen               // what is done at a bench
	tended = Technician | care | Screen  // what is done at a bench with tools
)

// Line says who may do one thing.
type Line struct {
	Who Who
	// LeadProves: the rules let a lead do more here than a technician, so that
	// at a bench screen a lead must add a secret; a badge proves nothing.
	LeadProves bool
}

// Ask begins the key of a request in the Table; its written event name follows.
const Ask = "ask "

// Table says who may do what once access is configured: pages and addresses by
// the pattern under which they are served, requests by the written name of
// their event, however they are asked for. What is not in it, nobody may do.
//
// It is the first of two locks. The rules decide on each request as well, by
// the role of the person in whose name it is asked: so a line here never
// grants what they refuse.
var Table = map[string]Line{
	// what tells nothing, and the way in
	"GET /assets/{hash}/{name}": {Who: all},
	"GET /healthz":              {Who: all},
	"GET /readyz":               {Who: all},
	"GET /sign-in":              {Who: all},
	"POST /sign-in":             {Who: all},
	"POST /sign-out":            {Who: all},
	"GET /begin":                {Who: all},
	"POST /begin":               {Who: all},
	"GET /enrol":                {Who: all},
	"POST /enrol":               {Who: all},

	// pages
	"GET /{$}":                                       {Who: look},
	"GET /bench/{bench}":                             {Who: look},
	"GET /bench/{bench}/ask/{what}":                  {Who: look},
	"GET /jobs":                                      {Who: look},
	"GET /jobs/{job}":                                {Who: look},
	"GET /jobs/{job}/sealed":                         {Who: look},
	"GET /alerts":                                    {Who: look},
	"GET /devices":                                   {Who: look},
	"GET /chain":                                     {Who: people}, // other shops are no matter of a bench screen
	"GET /chain/{shop}":                              {Who: people},
	"GET /tools":                                     {Who: look},
	"GET /tools/{tool}":                              {Who: look},
	"GET /tools/{tool}/plots/{point}/{plot}":         {Who: look},
	"GET /tools/{tool}/calibrations/{file}":          {Who: look},
	"GET /tools/{tool}/recall":                       {Who: people},
	"GET /tools/{tool}/certificate":                  {Who: care},
	"GET /recalls":                                   {Who: look},
	"GET /recalls/{recall}":                          {Who: look},
	"GET /procedures":                                {Who: look},
	"GET /procedures/{procedure}/{revision}":         {Who: look},
	"GET /procedures/{procedure}/{revision}/learned": {Who: look},
	"GET /procedures/{procedure}/{revision}/learned/{step}/{pass}": {Who: look},
	"GET /procedures/{procedure}/{revision}/revise":                {Who: people},
	"GET /legend":        {Who: look},
	"GET /shims":         {Who: look},
	"GET /seals":         {Who: look},
	"GET /photos/{hash}": {Who: look},
	"GET /papers/{hash}": {Who: look},
	"GET /live":          {Who: look},
	"GET /metrics":       {Who: people | Monitor},
	"GET /api/tools":     {Who: look},
	"/":                  {Who: look}, // there is no such page

	// what is asked for; the request itself has a line of its own below
	"POST /do/{what}":                {Who: tended},
	"POST /who":                      {Who: hands},
	"POST /photo":                    {Who: hands},
	"PUT /papers/{hash}":             {Who: care},
	"POST /tools/{tool}/recall":      {Who: care},
	"POST /tools/{tool}/certificate": {Who: care},
	"POST /recalls/{recall}":         {Who: Technician | care},
	"POST /api/asks/{type}":          {Who: tended},

	// people, devices, refusals
	"GET /access":          {Who: decide},
	"POST /access/secret":  {Who: Owner},
	"POST /access/forget":  {Who: Owner},
	"POST /access/enrol":   {Who: decide},
	"POST /access/remove":  {Who: decide},
	"GET /access/refusals": {Who: Owner | Auditor},
	"GET /me":              {Who: people},
	"POST /me/secret":      {Who: people},

	// requests: a technician's work
	Ask + "job.asked":             {Who: hands},
	Ask + "job_pause.asked":       {Who: hands},
	Ask + "job_resume.asked":      {Who: hands},
	Ask + "hand_over.asked":       {Who: hands},
	Ask + "step_confirm.asked":    {Who: hands},
	Ask + "fastener.pointed":      {Who: hands},
	Ask + "reading.taken":         {Who: hands}, // a value that was typed
	Ask + "reading_claim.asked":   {Who: hands, LeadProves: true},
	Ask + "reading_dismiss.asked": {Who: hands},
	Ask + "reading_void.asked":    {Who: hands, LeadProves: true},
	Ask + "alert_ack.asked":       {Who: tended},
	Ask + "question.answered":     {Who: hands},
	Ask + "closing_turn.reported": {Who: hands},
	Ask + "part.scanned":          {Who: hands},
	Ask + "part.answered":         {Who: hands},
	Ask + "part_undo.asked":       {Who: hands, LeadProves: true},
	Ask + "press_ready.asked":     {Who: hands},
	Ask + "press.rechecked":       {Who: hands},
	Ask + "photo.taken":           {Who: hands},
	Ask + "measure.asked":         {Who: hands},
	Ask + "loose_end_open.asked":  {Who: hands},
	Ask + "loose_end_close.asked": {Who: hands, LeadProves: true},
	Ask + "item_answer.asked":     {Who: hands},
	Ask + "badge.scanned":         {Who: hands},
	Ask + "shim_stock.asked":      {Who: hands},
	Ask + "shim_found.asked":      {Who: hands},
	Ask + "shim_fit.asked":        {Who: hands},
	Ask + "check.asked":           {Who: tended},
	Ask + "check_drop.asked":      {Who: tended},
	// of a check; in a calibration the rules take these of metrology and leads only
	Ask + "calibration_pair.asked": {Who: tended, LeadProves: true},
	Ask + "calibration_undo.asked": {Who: tended, LeadProves: true},

	// requests: releases and decisions, never of a screen by itself
	Ask + "hold_release.asked":    {Who: work},
	Ask + "release.asked":         {Who: decide},
	Ask + "abandon.asked":         {Who: decide},
	Ask + "decision.asked":        {Who: decide},
	Ask + "item_decision.asked":   {Who: decide},
	Ask + "alert_settle.asked":    {Who: decide},
	Ask + "residual_audit.asked":  {Who: decide},
	Ask + "override.asked":        {Who: decide},
	Ask + "procedure.offered":     {Who: decide},
	Ask + "learning_forget.asked": {Who: care},

	// requests: looking after tools
	Ask + "tool_move.asked":         {Who: care},
	Ask + "tool_adjust.asked":       {Who: care},
	Ask + "calibration.asked":       {Who: care},
	Ask + "calibration_close.asked": {Who: care},
	Ask + "calibration_drop.asked":  {Who: care},
	Ask + "certificate.asked":       {Who: care},
	Ask + "reading_assign.asked":    {Who: care},
	Ask + "recall.asked":            {Who: care},
	Ask + "recall_part.asked":       {Who: care},
	Ask + "recall_line.asked":       {Who: Technician | care}, // re-torque is a technician's; the rules look at how
}

// Unlisted returns those of the patterns that the Table has no line for.
func Unlisted(patterns []string) (missing []string) {
	for _, p := range patterns {
		if _, ok := Table[p]; !ok {
			missing = append(missing, p)
		}
	}
	return missing
}

// roleOf returns the kind of visitor that a person with a role is.
func roleOf(r events.Role) Who {
	switch r {
	case events.RoleAuditor:
		return Auditor
	case events.RoleTechnician:
		return Technician
	case events.RoleMetrology:
		return Metrology
	case events.RoleLead:
		return Lead
	case events.RoleOwner:
		return Owner
	}
	return 0 // a role that this program does not know may nothing
}

// words names the people of a set, for "Ask …".
func (w Who) words() string {
	var names []string
	for _, k := range []struct {
		who  Who
		name string
	}{{Technician, "a technician"}, {Metrology, "metrology"}, {Lead, "a lead"}, {Owner, "an owner"}, {Auditor, "an auditor"}} {
		if w&k.who != 0 {
			names = append(names, k.name)
		}
	}
	switch len(names) {
	case 0:
		return "nobody"
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

// String lists the kinds in w.
func (w Who) String() string {
	var names []string
	for _, k := range Kinds {
		if w&k.Who != 0 {
			names = append(names, k.Name)
		}
	}
	return fmt.Sprint(slices.Compact(names))
}
