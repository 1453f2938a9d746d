//go:build linux || darwin

package main

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/device/simulated"
	"paintmark/log/book"
)

// A wrench that streams, over a real terminal: a pull is cut out of what it
// sends, shown while it goes on, and kept to the last sample; and a program that
// is killed in the middle of one leaves what had come.

func streamArgs(wrench *simulated.Port) []string {
	return []string{"record", "b1", "--at", "serial:" + wrench.Path(),
		"--profile", filepath.Join("..", "..", "testdata", "profiles", "wrench-stream.toml")}
}

// A streamer sends fifty lines a second, as long as it is asked to.
type streamer struct {
	t      *testing.T
	wrench *simulated.Port
	sent   []int64 // tenths of N·m
	torque float64
	angle  float64
}

func (s *streamer) to(torque, angle float64, lines int) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	fromTorque, fromAngle := s.torque, s.angle
	for i := 1; i <= lines; i++ {
		share := float64(i) / float64(lines)
		s.torque, s.angle = fromTorque+share*(torque-fromTorque), fromAngle+share*(angle-fromAngle)
		tenths := int64(s.torque*10 + 0.5)
		_, err := fmt.Fprintf(s.wrench, "+%03d.%d %03d\r\n", tenths/10, tenths%10, int(s.angle))
		require.NoError(s.t, err)
		s.sent = append(s.sent, tenths)
		<-tick.C
	}
}

func TestAWrenchThatStreams(t *testing.T) {
	dir, path, wrench := newBuild(t, "vee-six.toml", "engine number=E-1", "customer=nobody")
	for _, step := range []string{"faces", "threads"} {
		run(t, dir, "confirm", "b1", "head-left/"+step)
	}
	run(t, dir, "attest", "b1", "head-left/dowel-front", "0.305 in")
	c := command(t, dir, streamArgs(wrench)...)
	s := startAtTerminal(t, c)
	s.expect(t, "NEXT head-left/4")
	hand := &streamer{t: t, wrench: wrench}
	hand.to(0, 0, 20)
	hand.to(34, 40, 40)
	s.expect(t, "PULLING")
	hand.to(0, 40, 5)
	hand.to(0, 40, 10)
	s.expect(t, "within    head-left/4")
	s.expect(t, "NEXT head-left/5")

	// Killed in the middle of the next one.
	hand.to(20, 60, 60)
	s.expect(t, "PULLING   head-left/5")
	require.NoError(t, c.Process.Kill())
	require.Error(t, c.Wait())

	b, err := book.Open(path, book.Options{})
	require.NoError(t, err)
	entries, err := b.Entries(t.Context())
	require.NoError(t, err)
	var readings []fact.Reading
	for _, e := range entries {
		if r, ok := e.Body.(fact.Reading); ok && r.Point == "head-left/4" {
			readings = append(readings, r)
		}
	}
	require.Len(t, readings, 1)
	require.Equal(t, "34.0 N·m", readings[0].Value.String())
	require.Equal(t, quantity.Degree, readings[0].Angle.Unit)
	kept, err := b.Trace(t.Context(), readings[0].Trace)
	require.NoError(t, err)
	require.Subset(t, kept.Torque.Values, hand.sent[25:60], "all that was sent of the pull, exactly")
	require.Equal(t, int32(-1), kept.Torque.Exponent)
	features, err := trace.Read(kept, trace.Known{})
	require.NoError(t, err)
	require.InDelta(t, 34, features.Peak.Number(), 1e-9)

	left, err := b.Unnamed(t.Context())
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Equal(t, fact.Point("head-left/5"), left[0].Point)
	require.Greater(t, left[0].Name.Samples, 20, "what had come up to the last fraction of a second")
	require.Contains(t, run(t, dir, "verify", "b1"), "and 1 trace of a pull, each as it was recorded")
}
