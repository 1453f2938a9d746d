//go:build linux || darwin

package attach_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/profile"
	"paintmark/device/serialport"
	"paintmark/device/simulated"
)

// Eight instruments that send a frame every millisecond are more than any bench
// in a shop has.
const (
	streams  = 8
	interval = time.Millisecond
)

const streamProfile = `
name = "stream"
[framing]
ending = "crlf"
[reading]
pattern = '(?P<value>[+-]\d{7}\.\d) (?P<unit>Nm|ftlb) (?P<status>[A-Z]{2})'
[reading.status]
OK = ""
OL = "overload"
`

// streamLine is the nth frame of a stream; its value is n.
func streamLine(n int) string { return fmt.Sprintf("+%07d.0 Nm OK\r\n", n) }

func streamPorts(tb testing.TB, folder string) (ports []*simulated.Port) {
	for i := range streams {
		p, err := simulated.NewPort(filepath.Join(folder, fmt.Sprint(i)))
		if err != nil {
			tb.Skip("no pseudo-terminals here:", err)
		}
		tb.Cleanup(func() { _ = p.Close() })
		ports = append(ports, p)
	}
	return ports
}

// attachStream attaches the whole stack to a terminal.
func attachStream(tb testing.TB, path string) device.Adapter {
	p, err := profile.Parse("stream.toml", []byte(streamProfile))
	require.NoError(tb, err)
	transport, err := serialport.New(path, device.DefaultSettings())
	require.NoError(tb, err)
	a := attach.Attach(context.Background(), transport, p, attach.Options{})
	tb.Cleanup(func() { _ = a.Close() })
	return a
}

// takeStream takes frames until there are so many, and fails at the first that
// is not the next one.
func takeStream(ctx context.Context, a device.Adapter, frames int) error {
	for n := range frames {
		e, err := a.Next(ctx)
		if err != nil {
			return fmt.Errorf("frame %d: %w", n, err)
		}
		if got, _ := e.Sample.Value.Value.Float64(); e.Kind != device.Sampled || got != float64(n) {
			return fmt.Errorf("frame %d: %s %s %q %v", n, e.Kind, e.Sample.Value, e.Raw, e.Err)
		}
	}
	return nil
}

// each runs a function for each stream at once, and gives the first failure.
func each(run func(i int) error) (err error) {
	done := make(chan error)
	for i := range streams {
		go func() { done <- run(i) }()
	}
	for range streams {
		if e := <-done; err == nil {
			err = e
		}
	}
	return err
}

// At full speed, with the terminals' buffers always full, no frame of any stream
// is lost, changed or out of order.
func TestStreamsAtFullSpeed(t *testing.T) {
	const frames = 1500
	ports := streamPorts(t, t.TempDir())
	sent := make(chan error)
	go func() {
		sent <- each(func(i int) error {
			for n := range frames {
				if _, err := io.WriteString(ports[i], streamLine(n)); err != nil {
					return err
				}
			}
			return nil
		})
	}()
	adapters := make([]device.Adapter, streams)
	for i, p := range ports {
		adapters[i] = attachStream(t, p.Path())
	}
	require.NoError(t, each(func(i int) error { return takeStream(t.Context(), adapters[i], frames) }))
	require.NoError(t, <-sent)
	for _, a := range adapters {
		require.NoError(t, a.Close())
		_, err := a.Next(t.Context())
		require.ErrorIs(t, err, device.ErrClosed, "nothing else was told")
	}
}

// streamsVariable makes of the test binary the instruments of BenchmarkStreams,
// whose own time is not to be counted: the folder of their terminals.
const streamsVariable = "PAINTMARK_STREAMS"

// TestSendStreams is those instruments. It tells that they are there, and sends
// when it is told how many frames.
func TestSendStreams(t *testing.T) {
	folder := os.Getenv(streamsVariable)
	if folder == "" {
		t.Skip("runs as a part of BenchmarkStreams")
	}
	ports := streamPorts(t, folder)
	fmt.Println("ready")
	var frames int
	in := bufio.NewReader(os.Stdin)
	_, err := fmt.Fscanln(in, &frames)
	require.NoError(t, err)
	start := time.Now()
	for n := range frames {
		time.Sleep(time.Until(start.Add(time.Duration(n) * interval)))
		line := streamLine(n)
		for _, p := range ports {
			_, err := io.WriteString(p, line)
			require.NoError(t, err)
		}
	}
	_, err = in.ReadByte() // until all was read
	require.ErrorIs(t, err, io.EOF)
}

// sendStreams starts the instruments and gives the folder of their terminals,
// what lets them send so many frames, and what ends them.
func sendStreams(b *testing.B) (folder string, send func(frames int), end func()) {
	self, err := os.Executable()
	require.NoError(b, err)
	folder = b.TempDir()
	c := exec.Command(self, "-test.run=^TestSendStreams$", "-test.v")
	c.Env = append(os.Environ(), streamsVariable+"="+folder)
	c.Stderr = os.Stderr
	in, err := c.StdinPipe()
	require.NoError(b, err)
	out, err := c.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, c.Start())
	lines := bufio.NewScanner(out)
	for ready := false; !ready; ready = lines.Text() == "ready" {
		if !lines.Scan() {
			_ = c.Wait()
			b.Skip("no pseudo-terminals here")
		}
	}
	send = func(frames int) {
		_, err := fmt.Fprintln(in, frames)
		require.NoError(b, err)
	}
	end = func() {
		require.NoError(b, in.Close())
		for lines.Scan() { // what the test says at its end
		}
		require.NoError(b, c.Wait())
	}
	return folder, send, end
}

// processorTime is what this process has used of all processors.
func processorTime(b *testing.B) time.Duration {
	var r unix.Rusage
	require.NoError(b, unix.Getrusage(unix.RUSAGE_SELF, &r))
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// share is the processor's time that reading a second's frames takes, as a share
// of one core.
func share(b *testing.B, open func(path string) (take func(frames int) error, closed func() error)) float64 {
	folder, send, end := sendStreams(b)
	var takes []func(int) error
	var closes []func() error
	for i := range streams {
		take, closed := open(filepath.Join(folder, fmt.Sprint(i)))
		takes, closes = append(takes, take), append(closes, closed)
	}
	before, start := processorTime(b), time.Now()
	send(b.N)
	require.NoError(b, each(func(i int) error { return takes[i](b.N) }))
	used := float64(processorTime(b)-before) / float64(time.Since(start))
	for _, closed := range closes {
		require.NoError(b, closed())
	}
	end()
	return used
}

// BenchmarkStreams reads eight streams of a thousand frames a second each from
// terminals that another process writes to, and gives the share of one core that
// it takes: by the whole stack, from the serial port to samples in order, and by
// a bare loop that reads the same bytes and looks at none. A frame that is lost
// fails it. An operation is one frame of each stream; run it with -benchtime 5s.
func BenchmarkStreams(b *testing.B) {
	bare := share(b, func(path string) (func(int) error, func() error) {
		f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
		require.NoError(b, err)
		return func(frames int) error {
			buf := make([]byte, 4096)
			for left := frames * len(streamLine(0)); left > 0; {
				n, err := f.Read(buf)
				if err != nil {
					return err
				}
				left -= n
			}
			return nil
		}, f.Close
	})
	b.ResetTimer()
	whole := share(b, func(path string) (func(int) error, func() error) {
		a := attachStream(b, path)
		return func(frames int) error { return takeStream(context.Background(), a, frames) }, a.Close
	})
	b.ReportMetric(100*whole, "%core")
	b.ReportMetric(100*bare, "%core-bare")
	b.ReportMetric(whole/bare, "x-bare")
}
