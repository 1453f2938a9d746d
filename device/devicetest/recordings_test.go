package devicetest_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
	"paintmark/device/replay"
)

var update = flag.Bool("update", false, "write the expected readings of the recordings anew")

const examples = "../../testdata"

// The worked profiles, each with what it shows; every one has a recording and
// what is read of it.
var worked = []string{
	"angle-line", "angle-pairs", "display-modbus", "indicator-asked", "indicator-keys", "indicator-line",
	"indicator-packet", "indicator-silent", "wrench-begun", "wrench-binary", "wrench-columns", "wrench-framed",
	"wrench-line", "wrench-sentence", "wrench-stream",
}

func stems(t *testing.T, pattern string) (names []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(examples, pattern))
	require.NoError(t, err)
	for _, f := range files {
		names = append(names, strings.TrimSuffix(filepath.Base(f), filepath.Ext(f)))
	}
	return names
}

func TestWorkedProfiles(t *testing.T) {
	require.Equal(t, worked, stems(t, "profiles/*.toml"))
	require.Equal(t, worked, stems(t, "recordings/*.rec"))
	require.Equal(t, worked, stems(t, "recordings/*.txt"))
}

// example is a worked profile with its recording and what is to be read of it.
func example(t *testing.T, name string) (p *profile.Profile, recording []byte, want string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(examples, "profiles", name+".toml"))
	require.NoError(t, err)
	p, err = profile.Parse(name+".toml", text)
	require.NoError(t, err)
	recording, err = os.ReadFile(filepath.Join(examples, "recordings", name+".rec"))
	require.NoError(t, err)
	read, err := os.ReadFile(filepath.Join(examples, "recordings", name+".txt"))
	if !*update {
		require.NoError(t, err)
	}
	return p, recording, string(read)
}

// Each recording is read as the text beside it says: played as fast as it goes,
// with its timing, and with its bytes one at a time.
func TestRecordings(t *testing.T) {
	for _, name := range worked {
		t.Run(name, func(t *testing.T) {
			p, recording, want := example(t, name)
			got := played(t, p, recording, replay.Options{Fast: true})
			if *update {
				require.NoError(t, os.WriteFile(filepath.Join(examples, "recordings", name+".txt"), []byte(got), 0o644))
				want = got
			}
			require.Equal(t, want, got)
			require.Contains(t, got, "rejected")
			synctest.Test(t, func(t *testing.T) {
				require.Equal(t, want, played(t, p, recording, replay.Options{}), "with its timing")
			})
			if !p.NeedsPackets() {
				require.Equal(t, want, played(t, p, apart(t, recording), replay.Options{Fast: true}), "byte by byte")
			}
		})
	}
}

// The checks in the recordings were computed by another program. Both are held
// to what is published: the check values over "123456789" were read in a public
// CRC catalogue.
func TestChecksOfTheExamples(t *testing.T) {
	for name, want := range map[string]struct {
		crc string
		sum uint16
	}{
		"wrench-binary":  {"ibm-3740", 0x29B1},
		"display-modbus": {"modbus", 0x4B37},
	} {
		crc, ok := profile.CRCNamed(want.crc)
		require.True(t, ok)
		require.Equal(t, want.sum, crc.Sum([]byte("123456789")), name)
		_, _, read := example(t, name)
		require.Contains(t, read, "check: want")
		require.Contains(t, read, "N·m")
	}
}

// played is what a recording says through a profile, a line for each event.
func played(t *testing.T, p *profile.Profile, recording []byte, o replay.Options) string {
	t.Helper()
	var first sync.Once
	var began time.Time
	o.Now = func() time.Time {
		now := time.Now()
		first.Do(func() { began = now })
		return now
	}
	transport := replay.From("example.rec", func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(recording)), nil }, o)
	a := attach.Attach(t.Context(), transport, p, attach.Options{})
	var b strings.Builder
	for {
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		line := ""
		switch e.Kind {
		case device.Sampled:
			line = "= " + shown(e.Sample)
		case device.Rejected:
			var placed *device.Error
			require.ErrorAs(t, e.Err, &placed)
			line = fmt.Sprintf("rejected %q: %v", e.Raw, placed.Err)
		case device.Unfinished: // a matter of timing; what becomes of it follows
			continue
		case device.Ended:
			require.NoError(t, e.Err)
			require.NoError(t, a.Close())
			return b.String()
		default:
			require.Fail(t, "an event that nobody expects", "%+v", e)
		}
		fmt.Fprintf(&b, "%7.3f  %s\n", e.Time.Sub(began).Seconds(), line)
	}
}

// shown is what a sample says, in one line.
func shown(s device.Sample) string {
	text := s.Value.String()
	if s.Value.IsZero() {
		text = s.Value.Number() + " without a unit"
	}
	if !s.Angle.IsZero() {
		text += ", " + s.Angle.String()
	}
	if len(s.Status) > 0 {
		text += " [" + strings.Join(s.Status, ", ") + "]"
	}
	return text
}

// apart is a recording with its bytes one at a time.
func apart(t *testing.T, recording []byte) []byte {
	t.Helper()
	text := []byte(replay.Header + "\n")
	r := replay.NewReader("example.rec", bytes.NewReader(recording))
	for {
		c, err := r.Next()
		if errors.Is(err, io.EOF) {
			return text
		}
		require.NoError(t, err)
		for b := range slices.Chunk(c.Bytes, 1) {
			text = replay.AppendChunk(text, replay.Chunk{At: c.At, Bytes: b})
		}
	}
}
