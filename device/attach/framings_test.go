package attach_test

import (
	"context"
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

// The ways in which instruments fail, over every framing.
func TestEveryFraming(t *testing.T) {
	for _, tc := range []struct {
		framing, frame, garbage string // the frame with %d for its figure
	}{
		{`ending = "crlf"`, "%d\r\n", "x\r\n"},
		{`ending = "03"`, "%d\x03", "x\x03"},
		{"kind = \"marks\"\nstart = \"02\"\nend = \"03\"", "\x02%d\x03", "x\x03\x02y"},
		{"kind = \"marks\"\nstart = \"02\"\nend = \"03\"\ntail = 1\n[check]\nkind = \"xor\"\nfrom = 0\nto = 1", "\x02%d\x03\x02", "\x02y\x03z"},
		{"kind = \"length\"\nstart = '\"1\"'\nlength = 3", "1%02d", "??"},
		{"kind = \"silence\"\ngap = \"20 ms\"", "%d", "x"},
	} {
		t.Run(tc.framing, func(t *testing.T) {
			frame := func(n int) string { return fmt.Sprintf(tc.frame, n) }
			said := func(n int) string { // what the figure is in the frame
				if tc.frame == "1%02d" {
					n += 100
				}
				return fmt.Sprintf("sampled %d N·m", n)
			}
			w := devicetest.NewWire(at, "PM-7")
			opened := make(chan struct{}, 9)
			a := attach.Attach(t.Context(), &announced{w, opened}, framed(t, tc.framing), attach.Options{Interval: 20 * time.Millisecond})
			defer func() { require.NoError(t, a.Close()) }()
			<-opened
			patient := tc.frame == "%d"
			for n := 10; n < 12; n++ { // byte by byte
				for _, c := range bytewise(frame(n), !patient) {
					require.NoError(t, w.Feed([]byte(c)))
				}
				require.Equal(t, []string{said(n)}, story(t, a, 1))
			}
			if !patient { // two in one read
				require.NoError(t, w.Feed([]byte(frame(12)+frame(13)+frame(14)[:1])))
				require.Equal(t, []string{said(12), said(13)}, story(t, a, 2))
				require.NoError(t, w.Feed([]byte(frame(14)[1:])))
				require.Equal(t, []string{said(14)}, story(t, a, 1))
			}
			require.NoError(t, w.Feed([]byte(tc.garbage)))
			if patient {
				require.Contains(t, story(t, a, 1)[0], "rejected")
			}
			require.NoError(t, w.Feed([]byte(frame(15))))
			for {
				line := story(t, a, 1)[0]
				if line == said(15) {
					break
				}
				require.Contains(t, line, "rejected")
			}
			// Lost in mid-frame: no reading; back again: sound.
			half := frame(16)[:1]
			require.NoError(t, w.Feed([]byte(half)))
			require.NoError(t, w.Unplug())
			lines := story(t, a, 2)
			require.Contains(t, lines[0], fmt.Sprintf("rejected %q", half))
			require.Contains(t, lines[1], "lost")
			require.NoError(t, w.Plug())
			require.Equal(t, []string{"found PM-7"}, story(t, a, 1))
			<-opened
			require.NoError(t, w.Feed([]byte(frame(17))))
			require.Equal(t, []string{said(17)}, story(t, a, 1))
			// The last is cut off.
			require.NoError(t, w.Feed([]byte(half)))
			require.NoError(t, w.End())
			lines = story(t, a, 2)
			require.Contains(t, lines[0], fmt.Sprintf("rejected %q", half))
			require.Equal(t, "ended", lines[1])
		})
	}
}

// bytewise takes a text apart, if wanted: on a busy machine the bytes of one
// frame may come with silence between them.
func bytewise(text string, apart bool) []string {
	if !apart {
		return []string{text}
	}
	return strings.Split(text, "")
}

// announced tells when a link was opened: what a wire is fed before is lost.
type announced struct {
	*devicetest.Wire
	opened chan struct{}
}

func (a *announced) Open(ctx context.Context) (device.Link, error) {
	link, err := a.Wire.Open(ctx)
	if err == nil {
		a.opened <- struct{}{}
	}
	return link, err
}

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
