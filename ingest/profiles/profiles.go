// Package profiles holds the tool profiles that ship with Witnessmark, each
// beside its protocol note. All tools in them are invented.
package profiles

import "embed"

// Files holds the shipped profiles, one NAME.yaml for each.
//
//go:embed *.yaml
var Files embed.FS

// Notes holds the protocol notes, one NAME.md for each profile.
//
//go:embed *.md
var Notes embed.FS
