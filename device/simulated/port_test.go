//go:build linux || darwin

package simulated_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"paintmark/device/simulated"
)

func newPort(t *testing.T) *simulated.Port {
	t.Helper()
	p, err := simulated.NewPort(filepath.Join(t.TempDir(), "by-id", "usb-invented-port0"))
	if err != nil {
		t.Skip("no pseudo-terminals here:", err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p
}

// What is written is read to the byte, without echo or translation, by a
// program that opens the path like any file.
func TestPortIsRaw(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	p := newPort(t)
	const bytes = "+0088.4\r\n\x03\x04\x11\x13\x00\xff\x7f"
	for range 2 { // and after the program has closed it
		f, err := os.OpenFile(p.Path(), os.O_RDWR|unix.O_NOCTTY, 0)
		require.NoError(t, err)
		_, err = p.Write([]byte(bytes))
		require.NoError(t, err)
		var got []byte
		buf := make([]byte, 64)
		for len(got) < len(bytes) {
			n, err := f.Read(buf)
			require.NoError(t, err)
			got = append(got, buf[:n]...)
		}
		require.Equal(t, bytes, string(got))
		require.NoError(t, f.Close())
	}
}

func TestUnplugAndPlug(t *testing.T) {
	p := newPort(t)
	for range 3 {
		f, err := os.OpenFile(p.Path(), os.O_RDWR|unix.O_NOCTTY, 0)
		require.NoError(t, err)
		require.NoError(t, p.Unplug())
		require.NoError(t, p.Unplug())
		n, err := f.Read(make([]byte, 1))
		require.Error(t, err, "read %d bytes from a port that is gone", n)
		require.NoError(t, f.Close())
		_, err = os.Lstat(p.Path())
		require.ErrorIs(t, err, fs.ErrNotExist)
		_, err = p.Write([]byte("x"))
		require.ErrorIs(t, err, simulated.ErrUnplugged)
		require.NoError(t, p.Plug())
		require.NoError(t, p.Plug())
	}
}

// A write that waits for a reader ends when the port is unplugged.
func TestUnplugEndsAWriteThatWaits(t *testing.T) {
	p := newPort(t)
	wrote := make(chan error, 1)
	started := make(chan struct{})
	go func() {
		close(started)
		for {
			if _, err := p.Write(make([]byte, 4096)); err != nil {
				wrote <- err
				return
			}
		}
	}()
	<-started
	require.NoError(t, p.Unplug())
	require.ErrorIs(t, <-wrote, simulated.ErrUnplugged)
}

func TestPathIsTaken(t *testing.T) {
	folder := t.TempDir()
	taken := filepath.Join(folder, "file")
	require.NoError(t, os.WriteFile(taken, nil, 0o600))
	_, err := simulated.NewPort(filepath.Join(taken, "port"))
	require.Error(t, err)
}
