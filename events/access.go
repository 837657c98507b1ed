package events

import "slices"

// Roles are all roles that a person can have, in the order of what they may.
var Roles = []Role{RoleAuditor, RoleTechnician, RoleMetrology, RoleLead, RoleOwner}

// Known reports whether r is one of Roles.
func (r Role) Known() bool { return slices.Contains(Roles, r) }

// Works reports whether r may do a technician's work.
func (r Role) Works() bool { return r == RoleTechnician || r.Leads() }

// Leads reports whether r may decide as a lead does. An owner may.
func (r Role) Leads() bool { return r == RoleLead || r == RoleOwner }

// Cares reports whether r may look after tools as metrology does.
func (r Role) Cares() bool { return r == RoleMetrology || r.Leads() }

// Why access was refused.
const (
	RefusedUnknown   = "not_signed_in" // nobody is signed in, or the session has ended
	RefusedRole      = "no_right"      // the role may not do this
	RefusedOther     = "other_person"  // somebody asked in another's name
	RefusedSecret    = "wrong_secret"  // a sign-in that named nobody, or with a wrong secret
	RefusedCode      = "wrong_code"    // an owner code or enrolment code that is not in force
	RefusedTooMany   = "too_many"      // tries came too fast; the secret was not looked at
	RefusedForeign   = "other_site"    // it came from another site's page, or under a foreign name
	RefusedNotScreen = "not_a_screen"  // a bench screen asked for what needs a person
)

// AccessRefused says that somebody was not let do something. Like refusals are
// folded: Times counts them, the first at SinceUs, the last at AtUs. No secret
// is ever part of it, nor a name that the shop does not have: people at times
// type their secret there.
type AccessRefused struct {
	Why     string  `json:"why"`              // see the Refused constants
	What    string  `json:"what"`             // the route, or the request's written name; "" where several were folded
	Person  string  `json:"person,omitempty"` // who was signed in or was named, if the shop has that person
	Role    Role    `json:"role,omitempty"`
	Device  string  `json:"device,omitempty"` // the enrolled device it came from
	From    string  `json:"from,omitempty"`   // network address without port; "" where several were folded
	Times   int     `json:"times"`
	SinceUs Instant `json:"since_us"`
	AtUs    Instant `json:"at_us"`
}

// EventType implements Data.
func (AccessRefused) EventType() (string, int) { return "access.refused", 1 }

// What an AccessChanged tells.
const (
	AccessOwnerMade     = "owner_made"      // the owner code was used: from here on people sign in
	AccessSecretSet     = "secret_set"      // a person has a new secret
	AccessSecretRemoved = "secret_removed"  // a person cannot sign in any more
	AccessDeviceAdded   = "device_enrolled" // a device was enrolled
	AccessDeviceRemoved = "device_removed"
)

// AccessChanged says that it changed who can get in, and by whom. By is empty
// where it was done at the machine itself.
type AccessChanged struct {
	What   string  `json:"what"`
	Person string  `json:"person,omitempty"`
	Device string  `json:"device,omitempty"`
	Bench  string  `json:"bench,omitempty"`
	By     string  `json:"by,omitempty"`
	From   string  `json:"from,omitempty"` // network address without port
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (AccessChanged) EventType() (string, int) { return "access.changed", 1 }
