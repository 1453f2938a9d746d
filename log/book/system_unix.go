//go:build unix && !aix && !solaris

package book

import (
	"errors"
	"os"
	"syscall"
)

// syncFolder makes what was created and renamed in a folder last.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return err
	}
	err = folder.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil // a file system that cannot
	}
	if closing := folder.Close(); err == nil {
		err = closing
	}
	return err
}

// unlock gives up the lock on a file that stays mapped: closing it alone would
// keep the lock for as long as the mapping lasts.
func unlock(file *os.File) { _ = syscall.Flock(int(file.Fd()), syscall.LOCK_UN) }
