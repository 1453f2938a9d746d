package attach_test

import (
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
)

func framed(t testing.TB, framing string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[framing]\n"+framing+"\n[reading]\npattern = '(?P<value>\\d+)'\nunit = \"N·m\"\n"))
	require.NoError(t, err)
	return p
}

// What instruments fail in is tried over every framing by package devicetest.

// Silence ends a frame, and begins anew with every byte.
func TestSilenceEndsAFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := devicetest.NewWire(at, "PM-7")
		a := attach.Attach(t.Context(), w, framed(t, "kind = \"silence\"\ngap = \"20 ms\""), attach.Options{})
		defer func() { require.NoError(t, a.Close()) }()
		synctest.Wait()
		require.NoError(t, w.Feed([]byte("1")))
		time.Sleep(19 * time.Millisecond)
		require.NoError(t, w.Feed([]byte("2")))
		last := time.Now()
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, "12 N·m", e.Sample.Value.String())
		require.True(t, last.Equal(e.Time), "when its last byte came")
		require.Equal(t, 20*time.Millisecond, time.Since(last))
	})
}

// packeted gives packets, in pieces where the buffer asks for it.
type packeted struct {
	*link
	ends []bool
	n    int
}

func (p *packeted) Read(b []byte) (int, error) {
	n, err := p.link.Read(b)
	if err == nil {
		p.n++
	}
	return n, err
}
func (p *packeted) EndOfPacket() bool { return p.ends[p.n-1] }

func TestPackets(t *testing.T) {
	p := framed(t, "kind = \"packet\"")
	l := &packeted{link: newLink(io.EOF, "1", "2", "3", "4"), ends: []bool{true, false, true, false}}
	a := attach.Attach(t.Context(), &scripted{opens: []open{{link: l}}}, p, attach.Options{})
	require.Equal(t, []string{
		"sampled 1 N·m", "sampled 23 N·m",
		`rejected "4" scripted:here: the end of a frame is missing: its source ended`, "ended",
	}, story(t, a, 4))
	require.NoError(t, a.Close())

	a = attach.Attach(t.Context(), &scripted{opens: []open{{link: newLink(nil, "1")}}}, p, attach.Options{After: func(time.Duration) <-chan time.Time { return nil }})
	require.Equal(t, []string{"lost scripted:here: this link has no packets, and profile p takes each packet as a frame"}, story(t, a, 1))
	require.NoError(t, a.Close())
}

// However many of them are told as one, what an instrument's count says is missing
// adds up, and none of it is taken for a frame that made no reading.
func TestWhatIsMissingAddsUp(t *testing.T) {
	p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[reading]\npattern = '(?P<sequence>\\d{2}) (?P<value>\\d)'\nunit = \"N·m\"\n"))
	require.NoError(t, err)
	var stream strings.Builder
	for n := range 40 { // 0, 3, 6 …, and round again: two are missing before each but the first
		fmt.Fprintf(&stream, "%02d 1\n", 3*n%100)
	}
	stream.WriteString("rubbish\n")
	a := attach.Attach(t.Context(), &scripted{opens: []open{{link: newLink(io.EOF, stream.String())}}}, p, attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	missing, bad, good, told := uint64(0), 0, 0, 0
	for {
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		switch e.Kind {
		case device.Sampled:
			good++
			continue
		case device.Ended:
			require.Equal(t, []int{40, 78, 1}, []int{good, int(missing), bad})
			require.Less(t, told, 39)
			return
		}
		var r *profile.Rejection
		require.ErrorAs(t, e.Err, &r)
		missing += r.Missing
		bad += max(1, e.Pieces) - r.Beside
		told++
	}
}
