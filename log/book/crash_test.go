package book

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
)

// crashEnv, when set, makes this test binary record into the book it names until
// it is killed.
const crashEnv = "PAINTMARK_TEST_RECORD"

// gaveUp is its exit code if it was not.
const gaveUp = 3

func TestMain(m *testing.M) {
	for env, record := range map[string]func(string) error{crashEnv: recordForEver, pullEnv: pullForEver} {
		if path := os.Getenv(env); path != "" {
			if err := record(path); err != nil {
				fmt.Fprintln(os.Stderr, err)
			}
			os.Exit(gaveUp)
		}
	}
	os.Exit(m.Run())
}

// recordForEver says of every entry that it is saved, when it is.
func recordForEver(path string) error {
	b, err := Open(path, Options{Station: "bench-1", Session: fmt.Sprint(os.Getpid())})
	for n := 0; err == nil; n++ {
		// Sometimes several facts at once, and large ones, so that the file grows.
		bodies := []fact.Body{reading(n)}
		if n%3 == 2 {
			bodies = append(bodies, fact.Note{What: fact.Unreadable, Raw: make([]byte, 3000)}, reading(n+1))
		}
		var saved []fact.Entry
		saved, err = b.Append(context.Background(), bodies...)
		for _, e := range saved {
			fmt.Printf("%d %x\n", e.Number, e.Hash)
		}
	}
	return err
}

// A program that records is killed, again and again, wherever it happens to be:
// all that it said was saved is there, and the book is sound.
func TestKilled(t *testing.T) {
	b := create(t)
	exe, err := os.Executable()
	require.NoError(t, err)
	acknowledged := map[uint64]string{}
	const kills = 40
	for kill := range kills {
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), crashEnv+"="+b.Path())
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			var number uint64
			var hash string
			_, err := fmt.Sscan(lines.Text(), &number, &hash)
			require.NoError(t, err)
			acknowledged[number] = hash
			if n == 2+kill%7 {
				// Killed while it is at the next one; what it says meanwhile counts.
				require.NoError(t, cmd.Process.Kill())
			}
		}
		var exit *exec.ExitError
		require.ErrorAs(t, cmd.Wait(), &exit)
		require.NotEqual(t, gaveUp, exit.ExitCode(), "it ended by itself")

		r := requireSound(t, b.Path())
		require.LessOrEqual(t, len(r.Notes), 2)
		entries, err := b.Entries(context.Background())
		require.NoError(t, err)
		saved := map[uint64]string{}
		for _, e := range entries {
			saved[e.Number] = fmt.Sprintf("%x", e.Hash)
		}
		for number, hash := range acknowledged {
			require.Equal(t, hash, saved[number], "bench-1#%d was said to be saved", number)
		}
	}
	require.Greater(t, len(acknowledged), 3*kills)
}

// A crash between any two steps of recording leaves a book that goes on.
func TestCrashBetweenSteps(t *testing.T) {
	t.Run("while creating", func(t *testing.T) {
		b := create(t)
		require.NoError(t, os.Remove(WitnessPath(b.Path())))
		r, err := Verify(b.Path())
		require.NoError(t, err)
		require.True(t, r.Sound(), "%v", r.Faults)
		require.Len(t, r.Notes, 1)
		record(t, b, reading(1))
	})
	t.Run("before any line of a witness", func(t *testing.T) {
		b := create(t)
		require.NoError(t, os.WriteFile(WitnessPath(b.Path()), nil, 0o600))
		record(t, b, reading(1))
	})
	t.Run("between commit and witness", func(t *testing.T) {
		b := create(t)
		before, err := os.ReadFile(WitnessPath(b.Path()))
		require.NoError(t, err)
		record(t, b, readings(5)...)
		after, err := os.ReadFile(WitnessPath(b.Path()))
		require.NoError(t, err)
		for length := len(before); length < len(after); length += 10 {
			require.NoError(t, os.WriteFile(WitnessPath(b.Path()), after[:length], 0o600))
			r, err := Verify(b.Path())
			require.NoError(t, err)
			require.True(t, r.Sound(), "%v", r.Faults)
			require.NotEmpty(t, r.Notes)
			entries, err := b.Entries(context.Background())
			require.NoError(t, err)
			require.Len(t, entries, 6)
			record(t, b) // nothing, but it mends
			mended, err := os.ReadFile(WitnessPath(b.Path()))
			require.NoError(t, err)
			require.Equal(t, after, mended)
		}
	})
	t.Run("another station goes on", func(t *testing.T) {
		b := create(t)
		record(t, b, reading(1))
		whole, err := os.ReadFile(WitnessPath(b.Path()))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(WitnessPath(b.Path()), whole[:len(whole)-70], 0o600))
		other, err := Open(b.Path(), options("bench-2"))
		require.NoError(t, err)
		record(t, other, reading(2))
	})
}

// An entry that is in the book but not in the witness is given back with the
// error, so that nobody records it again.
func TestUnwitnessed(t *testing.T) {
	b := create(t)
	full := errors.New("no space left on device")
	b.addLines = func(*os.File, []line) error { return full }
	entries, err := b.Append(context.Background(), reading(1))
	require.ErrorIs(t, err, ErrUnwitnessed)
	require.ErrorIs(t, err, full)
	require.NotErrorIs(t, err, ErrUnsound)
	require.Len(t, entries, 1)
	// Until the witness can be written, nothing more is recorded.
	_, err = b.Append(context.Background(), reading(2))
	require.ErrorIs(t, err, full)
	require.NotErrorIs(t, err, ErrUnwitnessed)
	b.addLines = addLines
	require.EqualValues(t, 3, record(t, b, reading(2))[0].Number)
	require.Equal(t, 3, requireSound(t, b.Path()).Entries)
}

func TestRenew(t *testing.T) {
	s := newSpecimen().clone()
	s.witness = nil
	path := s.write(t, t.TempDir())
	e, err := Renew(context.Background(), path, options("office"))
	require.NoError(t, err)
	require.Equal(t, fact.WitnessRenewed, e.Body.(fact.Note).What)
	require.Equal(t, total+1, requireSound(t, path).Entries)
	_, err = Renew(context.Background(), path, options("office"))
	require.ErrorContains(t, err, "needs no renewing")

	for name, damage := range map[string]func(s *specimen){
		"an entry altered":       func(s *specimen) { s.witness = nil; s.change("bench-1#20", "98.8 N", "99.8 N") },
		"an entry missing":       func(s *specimen) { s.book = s.older },
		"a witness that differs": func(s *specimen) { _, to := s.line("bench-1#20"); s.flip(to - 5) },
		"a witness of another":   func(s *specimen) { s.witness = line{ref("bench-1#1"), [32]byte{1}}.appendTo(nil) },
	} {
		t.Run(name, func(t *testing.T) {
			s := newSpecimen().clone()
			damage(&s)
			path := s.write(t, t.TempDir())
			_, err := Renew(context.Background(), path, options("office"))
			require.ErrorIs(t, err, ErrDamaged)
			files, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*"))
			require.NoError(t, err)
			require.LessOrEqual(t, len(files), 2)
			if s.witness != nil {
				text, err := os.ReadFile(WitnessPath(path))
				require.NoError(t, err)
				require.Equal(t, s.witness, text)
			} else {
				require.NoFileExists(t, WitnessPath(path))
			}
		})
	}
}
