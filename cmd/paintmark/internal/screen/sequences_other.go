//go:build !windows

package screen

import "os"

// sequences has nothing to do: terminals here understand them.
func sequences(*os.File) (restore func(), err error) { return func() {}, nil }
