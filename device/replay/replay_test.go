package replay_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"paintmark/calc/document"
	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
	"paintmark/device/replay"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func readAll(text string) (chunks []replay.Chunk, err error) {
	r := replay.NewReader("x.rec", strings.NewReader(text))
	for {
		c, err := r.Next()
		if err != nil {
			return chunks, err
		}
		chunks = append(chunks, c)
	}
}

func TestRead(t *testing.T) {
	chunks, err := readAll("\n# an invented wrench\nrecording 1\r\n\n" +
		"0.000000 \"READY 1.2\\r\\n\"\n" +
		"  3.25\t\"+0088.4 Nm O\" 4B 0D0A # two items\r\n" +
		"3.25 2b30\n" +
		"7 \"#\\\"\\\\\\t\\x00\\xfF·\"\n" +
		"999999999.999999999 00")
	require.ErrorIs(t, err, io.EOF)
	require.Equal(t, []replay.Chunk{
		{0, []byte("READY 1.2\r\n")},
		{3250 * time.Millisecond, []byte("+0088.4 Nm OK\r\n")},
		{3250 * time.Millisecond, []byte("+0")},
		{7 * time.Second, []byte("#\"\\\t\x00\xff·")},
		{999999999*time.Second + 999999999, []byte{0}},
	}, chunks)
}

func TestFaults(t *testing.T) {
	const head = "recording 1\n"
	for _, tc := range []struct{ text, want string }{
		{"", "x.rec: an empty file is no recording"},
		{"# only a comment\n\n", "x.rec: an empty file is no recording"},
		{"recording 2\n", "x.rec:1:1: not a recording that this program reads"},
		{"PK\x03\x04", "x.rec:1:1: not a recording"},
		{head + "1\n", "x.rec:2:2: no bytes"},
		{head + "1 # none\n", "x.rec:2:3: no bytes"},
		{head + "1 \"\"\n", "x.rec:2:5: no bytes"},
		{head + "x 00\n", `x.rec:2:1: "x" are no seconds`},
		{head + "-1 00\n", `x.rec:2:1: "-1" are no seconds`},
		{head + "1. 00\n", `x.rec:2:1: "1." are no seconds`},
		{head + ".5 00\n", `x.rec:2:1: ".5" are no seconds`},
		{head + "1.0000000001 00\n", `are no seconds`},
		{head + "1000000000 00\n", `are no seconds`},
		{head + "99999999999999999999 00\n", `are no seconds`},
		{head + "\x80\x80 00\n", "x.rec:2:1: \"\uFFFD\" are no seconds"},
		{head + "1 \"·\" 123\n", `x.rec:2:7: "123" are no hexadecimal digits`},
		{head + "1 0g\n", `x.rec:2:3: "0g" are no hexadecimal digits`},
		{head + "1 \"a\n", "x.rec:2:3: the quotes are not closed"},
		{head + "1 \"a\"\"b\"\n", "x.rec:2:6: no blank between two items"},
		{head + "1 00\"b\"\n", "x.rec:2:5: no blank between two items"},
		{head + "1 \"a\tb\"\n", `x.rec:2:5: a control character; write it as \x09`},
		{head + "1 \"a\\\n", "x.rec:2:5: nothing after the backslash"},
		{head + "1 \"\\q\"\n", "x.rec:2:4: after a backslash comes one of"},
		{head + "1 \"\\xg0\"\n", `x.rec:2:4: \x needs two hexadecimal digits`},
		{head + "1 \"\\x0", `x.rec:2:4: \x needs two hexadecimal digits`},
		{head + "2 00\n1.5 00\n", "x.rec:3:1: 1.500000 lies before the line above"},
		{head + "1 " + strings.Repeat("00", 1<<19) + "\n", "x.rec:2:1: a line of more than 1048576 bytes"},
	} {
		_, err := readAll(tc.text)
		var fault *document.Fault
		require.ErrorAs(t, err, &fault, "%.60q", tc.text)
		require.Contains(t, fault.Error(), tc.want)
	}
}

// What is written is read back, to the byte and to the microsecond.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []replay.Chunk
		text := []byte(replay.Header + "\n")
		var at time.Duration
		for range rapid.IntRange(0, 8).Draw(t, "chunks") {
			at += time.Duration(rapid.Int64Range(0, 5_000_000).Draw(t, "microseconds")) * time.Microsecond
			c := replay.Chunk{At: at, Bytes: rapid.SliceOfN(rapid.Byte(), 1, 40).Draw(t, "bytes")}
			want = append(want, c)
			text = replay.AppendChunk(text, c)
		}
		for _, b := range text {
			require.True(t, b == '\n' || b >= ' ' && b <= '~', "a recording is plain text")
		}
		got, err := readAll(string(text))
		require.ErrorIs(t, err, io.EOF)
		require.Equal(t, want, got)
	})
}

func FuzzRecording(f *testing.F) {
	f.Add([]byte("recording 1\n0.5 \"+0088.4 Nm OK\\r\\n\"\n1 2b30 \"\\x00\" # end\n"))
	f.Add([]byte("recording 1\r\n0 \"\\"))
	f.Add([]byte("recording 1\n999999999.999999999 00\n0 00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		chunks, err := readAll(string(text))
		var fault *document.Fault
		if err != io.EOF {
			require.ErrorAs(t, err, &fault)
		}
		again := []byte(replay.Header + "\n")
		for i, c := range chunks {
			require.NotEmpty(t, c.Bytes)
			require.GreaterOrEqual(t, c.At, time.Duration(0))
			if i > 0 {
				require.GreaterOrEqual(t, c.At, chunks[i-1].At)
			}
			again = replay.AppendChunk(again, c)
		}
		read, err := readAll(string(again))
		require.ErrorIs(t, err, io.EOF)
		require.Len(t, read, len(chunks))
		for i, c := range chunks {
			require.Equal(t, c.Bytes, read[i].Bytes)
			require.Equal(t, c.At.Truncate(time.Microsecond), read[i].At)
		}
	})
}

func TestConformance(t *testing.T) { devicetest.Run(t, suiteBench) }

func TestFramings(t *testing.T) { devicetest.RunFramings(t, suiteBench) }

func suiteBench(t *testing.T) devicetest.Bench {
	source := devicetest.NewStream()
	_, err := io.WriteString(source, replay.Header+"\n")
	require.NoError(t, err)
	return devicetest.Bench{
		Transport: replay.From("bench.rec", func() (io.ReadCloser, error) { return source, nil }, replay.Options{Fast: true}),
		Feed: func(p []byte) error {
			_, err := source.Write(replay.AppendChunk(nil, replay.Chunk{Bytes: p}))
			return err
		},
		End:  func() error { source.End(io.EOF); return nil },
		Deaf: true,
	}
}

const twoPulls = replay.Header + "\n1 \"+0088.4 Nm \"\n1.5 \"OK\\r\\n\"\n4.25 \"-0001.0 Nm OK\\r\\n\"\n"

func wrench(t *testing.T) *profile.Profile {
	t.Helper()
	text, err := os.ReadFile("../../testdata/profiles/wrench-line.toml")
	require.NoError(t, err)
	p, err := profile.Parse("wrench-line.toml", text)
	require.NoError(t, err)
	return p
}

// Played fast, nothing waits, and the samples still have the times between them
// that the recording has.
func TestFastKeepsTheTimes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pulls.rec")
	require.NoError(t, os.WriteFile(path, []byte(twoPulls), 0o600))
	transport := replay.New(path, replay.Options{Fast: true, After: func(time.Duration) <-chan time.Time { panic("waited") }})
	a := attach.Attach(t.Context(), transport, wrench(t), attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	first, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, "88.4 N·m", first.Sample.Value.String())
	second, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, 2750*time.Millisecond, second.Sample.Time.Sub(first.Sample.Time))
	end, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Ended, end.Kind)
}

func TestTiming(t *testing.T) {
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	start := now
	transport := replay.From("pulls.rec", func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(twoPulls)), nil }, replay.Options{
		Now: func() time.Time { return now },
		After: func(d time.Duration) <-chan time.Time {
			now = now.Add(d)
			c := make(chan time.Time, 1)
			c <- now
			return c
		},
	})
	link, err := transport.Open(t.Context())
	require.NoError(t, err)
	buf := make([]byte, 8)
	for _, want := range []struct {
		text string
		at   time.Duration
	}{{"+0088.4 ", time.Second}, {"Nm ", time.Second}, {"OK\r\n", 1500 * time.Millisecond}, {"-0001.0 ", 4250 * time.Millisecond}} {
		n, err := link.Read(buf)
		require.NoError(t, err)
		require.Equal(t, want.text, string(buf[:n]))
		require.Equal(t, want.at, now.Sub(start))
		require.Equal(t, now, link.(device.Stamped).Stamp())
	}
	require.NoError(t, link.Close())
}

func TestCloseEndsAWait(t *testing.T) {
	waiting := make(chan struct{})
	transport := replay.From("pulls.rec", func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(twoPulls)), nil }, replay.Options{
		After: func(time.Duration) <-chan time.Time { close(waiting); return nil },
	})
	link, err := transport.Open(t.Context())
	require.NoError(t, err)
	read := make(chan error, 1)
	go func() {
		_, err := link.Read(make([]byte, 8))
		read <- err
	}()
	<-waiting
	require.NoError(t, link.Close())
	require.ErrorIs(t, <-read, device.ErrClosed)
}

// A recording that is damaged is played up to there and ends. It is not played
// again from the beginning, as if an instrument had come back.
func TestDamagedRecordingEnds(t *testing.T) {
	opened := 0
	transport := replay.From("pulls.rec", func() (io.ReadCloser, error) {
		opened++
		return io.NopCloser(strings.NewReader(twoPulls + "5 \"+00\"\n6 nonsense\n7 \"88.4 Nm OK\\r\\n\"\n")), nil
	}, replay.Options{Fast: true})
	a := attach.Attach(t.Context(), transport, wrench(t), attach.Options{})
	var kinds []device.EventKind
	var last device.Event
	for {
		e, err := a.Next(t.Context())
		if err != nil {
			require.ErrorIs(t, err, device.ErrClosed)
			break
		}
		kinds, last = append(kinds, e.Kind), e
	}
	require.NoError(t, a.Close())
	require.Equal(t, []device.EventKind{device.Sampled, device.Sampled, device.Rejected, device.Ended}, kinds)
	require.EqualError(t, last.Err, `replay:pulls.rec: the recording cannot be read on: pulls.rec:6:3: "nonsense" are no hexadecimal digits, two for each byte`)
	var hint interface{ HintText() string }
	require.ErrorAs(t, last.Err, &hint)
	require.Contains(t, hint.HintText(), "3.25")
	require.Equal(t, 1, opened)
}

func TestAbsentFile(t *testing.T) {
	_, err := replay.New(filepath.Join(t.TempDir(), "none.rec"), replay.Options{}).Open(t.Context())
	require.ErrorIs(t, err, device.ErrAbsent)
}

// A recording of an instrument, played, is the instrument again; over a loss as
// well, and with a clock that was set back.
func TestRecorder(t *testing.T) {
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	var out bytes.Buffer
	recorder := replay.NewRecorder(&out, func() time.Time { return now })
	wire := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "PM-1")
	transport := recorder.Transport(wire)
	buf := make([]byte, 64)
	for i, text := range []string{"+0088.4 Nm OK\r\n", "\x00\xff\"half"} {
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		require.Equal(t, "PM-1", link.Identity())
		require.NoError(t, wire.Feed([]byte(text)))
		now = now.Add(time.Duration(1-3*i) * 1500 * time.Millisecond)
		n, err := link.Read(buf)
		require.NoError(t, err)
		require.Equal(t, text, string(buf[:n]))
		require.NoError(t, wire.Unplug())
		_, err = link.Read(buf)
		require.ErrorIs(t, err, device.ErrLost)
		require.NoError(t, link.Close())
		require.NoError(t, wire.Plug())
	}
	require.NoError(t, recorder.Err())
	require.Equal(t, "recording 1\n# begun 2026-05-04T12:00:00Z\n"+
		`1.500000 "+0088.4 Nm OK\r\n"`+"\n"+
		`1.500000 "\x00\xff\"half"`+"\n", out.String())
	chunks, err := readAll(out.String())
	require.ErrorIs(t, err, io.EOF)
	require.Len(t, chunks, 2)
}

type full struct{ left int }

func (f *full) Write(p []byte) (int, error) {
	if f.left--; f.left < 0 {
		return 0, errors.New("disk full")
	}
	return len(p), nil
}

func TestRecorderNeverGetsIntoTheWay(t *testing.T) {
	recorder := replay.NewRecorder(&full{left: 2}, nil)
	wire := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "")
	link, err := recorder.Transport(wire).Open(t.Context())
	require.NoError(t, err)
	defer func() { require.NoError(t, link.Close()) }()
	for range 3 {
		require.NoError(t, wire.Feed([]byte("x")))
		n, err := link.Read(make([]byte, 9))
		require.NoError(t, err)
		require.Equal(t, 1, n)
	}
	require.EqualError(t, recorder.Err(), "disk full")
}

// The recorder passes the suite like the transport it records.
func TestRecorderConformance(t *testing.T) {
	devicetest.Run(t, func(*testing.T) devicetest.Bench {
		w := devicetest.NewWire(device.Address{Transport: "wire", Place: "bench"}, "PM-1")
		return devicetest.Bench{
			Transport: replay.NewRecorder(io.Discard, nil).Transport(w),
			Feed:      w.Feed, Unplug: w.Unplug, Plug: w.Plug, End: w.End,
			Identity: "PM-1", Exclusive: true,
		}
	})
}
