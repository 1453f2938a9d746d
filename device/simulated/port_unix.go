//go:build linux || darwin

package simulated

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// A Port is a pseudo-terminal behind a path that stays the same. It is raw from
// the beginning: nothing is echoed or translated, as with a real line.
//
// Writing waits while nobody reads and the terminal's buffer is full. What is
// written while no program has the port open is there for the next one that
// opens it, unlike with a real cable. What was not read yet when the port is
// unplugged is lost, as with a real one.
type Port struct {
	path string

	mu     sync.Mutex
	master *os.File
	// slave keeps the settings: a pseudo-terminal forgets them with its last close.
	slave *os.File
}

// NewPort plugs in a port at path, a symbolic link whose folder is made if it
// is not there.
func NewPort(path string) (*Port, error) {
	p := &Port{path: path}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, err
	}
	return p, p.Plug()
}

// Path is where a program finds the port while it is plugged in.
func (p *Port) Path() string { return p.path }

// Plug plugs the port in; its terminal may be another one than before. A port
// that is plugged in stays as it is.
func (p *Port) Plug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master != nil {
		return nil
	}
	master, slave, err := openTerminal()
	if err != nil {
		return err
	}
	if err := link(slave.Name(), p.path); err != nil {
		return errors.Join(err, master.Close(), slave.Close())
	}
	p.master, p.slave = master, slave
	return nil
}

func openTerminal() (master, slave *os.File, err error) {
	blocking, slave, err := pty.Open()
	if errors.Is(err, pty.ErrUnsupported) {
		return nil, nil, ErrNoTerminals
	}
	if err != nil {
		return nil, nil, fmt.Errorf("no pseudo-terminal: %w", err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		return nil, nil, errors.Join(err, blocking.Close(), slave.Close())
	}
	// A handle of its own in non-blocking mode, so that Unplug ends a Write that waits.
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err != nil {
		return nil, nil, errors.Join(err, blocking.Close(), slave.Close())
	}
	master = os.NewFile(uintptr(fd), blocking.Name())
	return master, slave, blocking.Close()
}

// link replaces the link at path in one step.
func link(target, path string) error {
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Symlink(target, fresh); err != nil {
		return err
	}
	return os.Rename(fresh, path)
}

// Unplug pulls the plug: the path is gone, and whoever reads the port sees it
// lost. A port that is unplugged stays so.
func (p *Port) Unplug() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master == nil {
		return nil
	}
	err := os.Remove(p.path)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	err = errors.Join(err, p.master.Close(), p.slave.Close())
	p.master, p.slave = nil, nil
	return err
}

// Write sends bytes to whoever reads the port. It fails with ErrUnplugged when
// the port is unplugged, or is while it waits.
func (p *Port) Write(b []byte) (int, error) { return p.use((*os.File).Write, b) }

// Read gives what the program has written to the port. It waits for that, and
// fails with ErrUnplugged as Write does.
func (p *Port) Read(b []byte) (int, error) { return p.use((*os.File).Read, b) }

func (p *Port) use(how func(*os.File, []byte) (int, error), b []byte) (int, error) {
	p.mu.Lock()
	master := p.master
	p.mu.Unlock()
	if master == nil {
		return 0, ErrUnplugged
	}
	n, err := how(master, b)
	if errors.Is(err, os.ErrClosed) {
		err = ErrUnplugged
	}
	return n, err
}

// Close unplugs the port for good.
func (p *Port) Close() error { return p.Unplug() }
