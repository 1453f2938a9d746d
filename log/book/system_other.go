//go:build !unix || aix || solaris

package book

import "os"

// syncFolder does nothing where a folder cannot be synced.
func syncFolder(string) error { return nil }

// unlock does nothing where closing a file gives up its lock.
func unlock(*os.File) {}
