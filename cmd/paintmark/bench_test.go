//go:build linux || darwin

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/cmd/paintmark/internal/cli"
)

// median of what was measured.
func median(list []time.Duration) time.Duration {
	slices.Sort(list)
	return list[len(list)/2]
}

// BenchmarkVerdict measures from the last byte on the tty to the verdict on the
// output of the real program, the reading being on disk by then. The baseline of
// the same run is an append and sync of the same bytes to a plain file.
func BenchmarkVerdict(b *testing.B) {
	dir, _, wrench := newBuild(b, "vee-six.toml", "engine number=E-1", "customer=nobody")
	run(b, dir, "confirm", "b1", "head-left/faces")
	run(b, dir, "confirm", "b1", "head-left/threads")
	run(b, dir, "attest", "b1", "head-left/dowel-front", "0.305")
	c := command(b, dir, recordArgs(wrench, "--json")...)
	out, err := c.StdoutPipe()
	require.NoError(b, err)
	in, err := c.StdinPipe()
	require.NoError(b, err)
	require.NoError(b, c.Start())
	lines := bufio.NewScanner(out)
	await := func(event string) {
		for lines.Scan() {
			var e toldEvent
			require.NoError(b, json.Unmarshal(lines.Bytes(), &e))
			if e.Event == event {
				return
			}
		}
		require.Fail(b, "the program ended")
	}
	await("next")
	plain, err := os.Create(filepath.Join(dir, "plain"))
	require.NoError(b, err)
	line := []byte("+0010.0 Nm OK\r\n") // low, so that there is always a next one
	var verdicts, appends []time.Duration
	for b.Loop() {
		began := time.Now()
		_, err := wrench.Write(line)
		require.NoError(b, err)
		await("reading")
		verdicts = append(verdicts, time.Since(began))
		await("next")
		began = time.Now()
		_, err = plain.Write(line)
		require.NoError(b, err)
		require.NoError(b, plain.Sync())
		appends = append(appends, time.Since(began))
	}
	_, _ = io.WriteString(in, "quit\n")
	_ = c.Wait()
	require.NoError(b, plain.Close())
	b.ReportMetric(float64(median(verdicts).Microseconds())/1000, "median-ms")
	b.ReportMetric(float64(median(verdicts))/float64(median(appends)), "ratio-to-append")
}

// BenchmarkState opens and prints one build on a shelf of ten books and on one
// of ten thousand.
func BenchmarkState(b *testing.B) {
	shelfOf := func(books int) string {
		dir, path, _ := newBuild(b, "vee-six.toml", "engine number=E-1", "customer=nobody")
		for i := range books - 1 {
			other := filepath.Join(dir, fmt.Sprintf("other-%05d.book", i))
			require.NoError(b, os.Link(path, other))
			require.NoError(b, os.Link(filepath.Join(dir, "b1.witness"), filepath.Join(dir, fmt.Sprintf("other-%05d.witness", i))))
		}
		return dir
	}
	few, many := shelfOf(10), shelfOf(10_000)
	state := func(dir string) time.Duration {
		began := time.Now()
		var out bytes.Buffer
		code := cli.Main(context.Background(), program(), []string{"state", "b1", "--shelf", dir}, nil, &out, io.Discard)
		require.Zero(b, code)
		require.Contains(b, out.String(), "next: confirm head-left/faces")
		return time.Since(began)
	}
	var withFew, withMany []time.Duration
	for b.Loop() {
		withFew = append(withFew, state(few))
		withMany = append(withMany, state(many))
	}
	b.ReportMetric(float64(median(withFew).Microseconds())/1000, "median-ms")
	b.ReportMetric(float64(median(withMany))/float64(median(withFew)), "ratio-10000-to-10")
}
