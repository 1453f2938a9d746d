package typed_test

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/typed"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance(t *testing.T) { devicetest.Run(t, suiteBench) }

func TestFramings(t *testing.T) { devicetest.RunFramings(t, suiteBench) }

func suiteBench(*testing.T) devicetest.Bench {
	keys := devicetest.NewStream()
	return devicetest.Bench{
		Transport: typed.New("keyboard", keys),
		Feed:      func(p []byte) error { _, err := keys.Write(p); return err },
		End:       func() error { keys.End(io.EOF); return nil },
		Close:     keys.Close,
		Exclusive: true,
		Attested:  true,
		Deaf:      true,
	}
}

func TestTypedLines(t *testing.T) {
	type want struct{ value, text, unit, err string }
	for _, tc := range []struct {
		line string
		want want
	}{
		{"88", want{value: "88", text: "88"}},
		{"88.40 Nm", want{value: "88.40", text: "88.40 Nm", unit: "N·m"}},
		{"  65 ft-lb  ", want{value: "65", text: "65 ft-lb", unit: "lbf·ft"}},
		{"65 lbf·ft", want{value: "65", text: "65 lbf·ft", unit: "lbf·ft"}},
		{"-0.05mm", want{value: "-0.05", text: "-0.05mm", unit: "mm"}},
		{"+ .002\"", want{value: "0.002", text: "+ .002\"", unit: "in"}},
		{"−2 thou", want{value: "-2", text: "−2 thou", unit: "thou"}},
		{"90°", want{value: "90", text: "90°", unit: "°"}},
		{"1.5e1 mm", want{value: "15", text: "1.5e1 mm", unit: "mm"}},
		{"88,4 Nm", want{err: "the decimal mark is the point"}},
		{"8 8", want{err: "does not match"}},
		{"88 elephants", want{err: `"elephants" is no known unit`}},
		{"skip", want{err: "does not match"}},
		{"1.2.3", want{err: "is not a number"}},
	} {
		a := attach.Attach(t.Context(), typed.New("keyboard", strings.NewReader("\n   \r\n"+tc.line+"\n")), typed.Profile(), attach.Options{})
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		if tc.want.err != "" {
			require.Equal(t, device.Rejected, e.Kind, tc.line)
			require.ErrorContains(t, e.Err, tc.want.err)
			require.Equal(t, tc.line+"\n", string(e.Raw))
		} else {
			require.Equal(t, device.Sampled, e.Kind, "%s: %v", tc.line, e.Err)
			s := e.Sample
			require.Equal(t, tc.want, want{value: s.Value.Number(), text: s.Value.Text, unit: s.Value.Unit.String()}, tc.line)
			require.True(t, s.Attested, "a stated value is never a measured one")
			require.Equal(t, tc.line+"\n", string(s.Raw))
		}
		e, err = a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, device.Ended, e.Kind)
		require.NoError(t, a.Close())
	}
}

// A line without Enter was not finished, and is no reading.
func TestUnfinishedLine(t *testing.T) {
	a := attach.Attach(t.Context(), typed.New("pipe", strings.NewReader("88")), typed.Profile(), attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Rejected, e.Kind)
	require.Equal(t, "88", string(e.Raw))
}

// What was typed while no link was open is not lost, nor is what a link that is
// being closed had just been given.
func TestNothingIsLostBetweenLinks(t *testing.T) {
	keys := devicetest.NewStream()
	transport := typed.New("keyboard", keys)
	want := "0123456789"
	_, err := io.WriteString(keys, want)
	require.NoError(t, err)
	var got string
	for len(got) < len(want) {
		link, err := transport.Open(t.Context())
		require.NoError(t, err)
		buf := make([]byte, 3)
		n, err := link.Read(buf)
		require.NoError(t, err)
		got += string(buf[:n])
		require.NoError(t, link.Close())
	}
	require.Equal(t, want, got)
	require.NoError(t, keys.Close())
}

func TestReaderThatFails(t *testing.T) {
	transport := typed.New("pipe", io.MultiReader(strings.NewReader("88\n"), iotest.ErrReader(errors.New("hung up"))))
	a := attach.Attach(t.Context(), transport, typed.Profile(), attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Sampled, e.Kind)
	e, err = a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Ended, e.Kind)
	require.EqualError(t, e.Err, "typed:pipe: cannot be read on: hung up")
}

// What a cable types is measured, what a hand types is refused.
func TestCable(t *testing.T) {
	c := typed.NewCable()
	a := attach.Attach(t.Context(), c, typed.Profile(), attach.Options{})
	defer func() { require.NoError(t, a.Close()) }()
	require.NoError(t, c.Line("88.4 Nm", 0))
	require.NoError(t, c.Line("-0.015", 6*16*time.Millisecond))
	require.ErrorIs(t, c.Line("120.0", 600*time.Millisecond), typed.ErrByHand)
	c.End()
	c.End()
	for _, want := range []string{"88.4 N·m", "-0.015"} {
		e, err := a.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, device.Sampled, e.Kind)
		require.False(t, e.Sample.Attested)
		got := e.Sample.Value.String()
		if got == "" {
			got = e.Sample.Value.Number()
		}
		require.Equal(t, want, got)
	}
	e, err := a.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, device.Ended, e.Kind)
}

// Lines wait for a reader, but not without end.
func TestCableThatNobodyReads(t *testing.T) {
	c := typed.NewCable()
	n := 0
	for ; c.Line("1", 0) == nil; n++ {
		require.Less(t, n, 1000)
	}
	require.ErrorIs(t, c.Line("1", 0), typed.ErrFull)
	c.End()
	read, err := io.ReadAll(c)
	require.NoError(t, err)
	require.Equal(t, strings.Repeat("1\n", n), string(read))
}

// Keys and the lines of a cable come down one keyboard.
func TestSift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := typed.NewCable()
		keyboard, keys := io.Pipe()
		var slow []string
		rest := make(chan string)
		go func() {
			all, err := io.ReadAll(c.Sift(keyboard, func(line string) { slow = append(slow, line) }))
			if err != nil {
				all = []byte(err.Error())
			}
			rest <- string(all)
		}()
		press := func(text string, pace time.Duration) {
			for _, r := range text {
				time.Sleep(pace)
				_, err := keys.Write([]byte(string(r)))
				require.NoError(t, err)
			}
		}
		press("v", time.Second)
		press("88.4 Nm\r\n", 16*time.Millisecond) // into the answer, say
		press("bumped 3 times\r", 100*time.Millisecond)
		press("-0.015\n", 8*time.Millisecond)
		press("120.5\r", 120*time.Millisecond) // by hand
		press("12\x03\n", 10*time.Millisecond)
		press("1", 10*time.Millisecond) // the machine was busy: the rest is late
		press("2", 300*time.Millisecond)
		press("0.5\r", 10*time.Millisecond)
		press("9", 10*time.Millisecond) // begun by hand, and forgotten
		time.Sleep(3 * time.Second)
		press("65.0\r", 10*time.Millisecond)
		press("7.25", 10*time.Millisecond) // without Enter
		require.NoError(t, keys.Close())
		require.Equal(t, "vbumped 3 times\r120.5\r12\x03\n120.5\r97.25", <-rest)
		require.Equal(t, []string{"3 times", "120.5", "120.5"}, slow)
		lines, err := io.ReadAll(c)
		require.NoError(t, err)
		require.Equal(t, "88.4 Nm\n-0.015\n65.0\n", string(lines))
	})
}

// A line that nobody takes is given on, and told.
func TestSiftOfACableThatNobodyReads(t *testing.T) {
	c := typed.NewCable()
	for c.Line("1", 0) == nil {
	}
	var slow []string
	all, err := io.ReadAll(c.Sift(strings.NewReader("2\nx\n"), func(line string) { slow = append(slow, line) }))
	require.NoError(t, err)
	require.Equal(t, "2\nx\n", string(all))
	require.Equal(t, []string{"2"}, slow)
}
