package book

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
)

// pullEnv, when set, makes this test binary record pulls into the book it names
// until it is killed.
const pullEnv = "PAINTMARK_TEST_PULL"

// pullForEver says of every step of a pull that it is saved, when it is. Pulls
// have 1000 samples, and some have no end.
func pullForEver(path string) error {
	b, err := Open(path, Options{Station: "bench-1", Session: fmt.Sprint(os.Getpid())})
	for n := 0; err == nil; n++ {
		var p *Pull
		p, err = b.BeginPull(fact.Point(fmt.Sprintf("head/%d", n)), "stage-1", "wrench-2")
		for saved := 100; err == nil && saved <= 1000; saved += 100 {
			if err = p.Save(context.Background(), curve(saved, 1)); err == nil {
				fmt.Printf("saved %d %d\n", p.head.Number, saved)
			}
		}
		if err == nil {
			_, err = b.Append(context.Background(), fact.Reading{Point: fact.Point(fmt.Sprintf("head/%d", n)), Pass: "stage-1", Trace: p.End()})
			fmt.Printf("ended %d %d\n", p.head.Number, 1000)
		}
	}
	return err
}

// A program is killed in mid-pull, again and again: the samples that it said were
// saved are there, belong to no entry, and can be kept as an interrupted pull; what
// had ended is a reading.
func TestKilledInMidPull(t *testing.T) {
	b := create(t)
	exe, err := os.Executable()
	require.NoError(t, err)
	const kills = 20
	interrupted := 0
	for kill := range kills {
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), pullEnv+"="+b.Path())
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		saved, ended := map[uint64]int{}, map[uint64]bool{}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			var what string
			var number uint64
			var count int
			_, err := fmt.Sscan(lines.Text(), &what, &number, &count)
			require.NoError(t, err)
			saved[number] = max(saved[number], count)
			ended[number] = ended[number] || what == "ended"
			if n == 3+kill {
				require.NoError(t, cmd.Process.Kill())
			}
		}
		var exit *exec.ExitError
		require.ErrorAs(t, cmd.Wait(), &exit)
		require.NotEqual(t, gaveUp, exit.ExitCode(), "it ended by itself")

		r := requireSound(t, b.Path())
		require.Equal(t, r.Traces, r.TracesIntact)
		entries, err := b.Entries(context.Background())
		require.NoError(t, err)
		named := map[uint64]fact.Trace{}
		for _, e := range entries {
			named[fact.TraceOf(e.Body).Number] = fact.TraceOf(e.Body)
		}
		list := unnamed(t, b)
		require.LessOrEqual(t, len(list), 1, "one pull at a time")
		for _, u := range list {
			require.GreaterOrEqual(t, u.Name.Samples, saved[u.Name.Number])
			requireCurve(t, b, u.Name, curve(u.Name.Samples, 1))
			require.Equal(t, fact.Pass("stage-1"), u.Pass)
			require.NotEmpty(t, u.Point)
			require.False(t, ended[u.Name.Number])
			delete(saved, u.Name.Number)
			record(t, b, fact.Interrupted{Point: u.Point, Pass: u.Pass, Trace: u.Name, Because: "the program was killed"})
			interrupted++
		}
		for number := range saved {
			require.Equal(t, 1000, named[number].Samples, "trace %d", number)
			requireCurve(t, b, named[number], curve(1000, 1))
		}
		require.Empty(t, unnamed(t, b))
	}
	require.Greater(t, interrupted, kills/2)
}
