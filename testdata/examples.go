// Package testdata holds the worked examples: plans, profiles, and a shelf's
// list of instruments. Everything in them is invented. The demonstration works
// with these very files, so they are embedded here.
//
// Each profile has a recording of what such an instrument may send, with garbage
// first, damage and an end that is cut off, and beside it, in a text, what is
// read of it; package devicetest holds them to it.
package testdata

import "embed"

// Files are the examples by their paths in this folder.
//
//go:embed plans/*.toml profiles/*.toml
var Files embed.FS
