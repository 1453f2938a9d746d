// Package testdata holds the worked examples: plans, profiles, and a shelf's
// list of instruments. Everything in them is invented. The demonstration works
// with these very files, so they are embedded here.
package testdata

import "embed"

// Files are the examples by their paths in this folder.
//
//go:embed plans/*.toml profiles/*.toml
var Files embed.FS
