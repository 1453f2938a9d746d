package needs_test

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/cmd/paintmark/internal/needs"
)

// ending records how a test would have ended.
type ending struct {
	testing.TB
	how, said string
}

func (e *ending) Helper() {}

func (e *ending) Skipf(format string, args ...any) {
	e.how, e.said = "skipped", fmt.Sprintf(format, args...)
	runtime.Goexit()
}

func (e *ending) Fatalf(format string, args ...any) {
	e.how, e.said = "failed", fmt.Sprintf(format, args...)
	runtime.Goexit()
}

func run(t *testing.T, test func(testing.TB)) *ending {
	e := &ending{TB: t, how: "ran"}
	done := make(chan struct{})
	go func() {
		defer close(done)
		test(e)
	}()
	<-done
	return e
}

func TestWhatIsMissingSkipsOrFails(t *testing.T) {
	absent := func(t testing.TB) { needs.Tool(t, "no-such-program-anywhere") }
	for _, row := range []struct{ noSkip, how string }{
		{"", "skipped"},
		{"chromium", "skipped"},
		{"chromium,no-such-program-anywhere", "failed"},
		{"all", "failed"},
	} {
		t.Setenv("PAINTMARK_NO_SKIP", row.noSkip)
		e := run(t, absent)
		require.Equal(t, row.how, e.how, row.noSkip)
		require.Contains(t, e.said, "no-such-program-anywhere")
	}
}

func TestWhatIsThereRuns(t *testing.T) {
	here, err := os.Executable()
	require.NoError(t, err)
	t.Setenv("PATH", filepath.Dir(here))
	e := run(t, func(t testing.TB) { needs.Tool(t, filepath.Base(here)) })
	require.Equal(t, "ran", e.how, e.said)
}

func TestBrowserThatWasNamedMustBeThere(t *testing.T) {
	t.Setenv("PAINTMARK_CHROMIUM", filepath.Join(t.TempDir(), "absent"))
	require.Equal(t, "failed", run(t, func(t testing.TB) { needs.Chromium(t) }).how)

	here, err := os.Executable()
	require.NoError(t, err)
	t.Setenv("PAINTMARK_CHROMIUM", here)
	require.Equal(t, "ran", run(t, func(t testing.TB) { needs.Chromium(t) }).how)
}

func TestBenchThatWasNotBuiltIsMissing(t *testing.T) {
	cache := t.TempDir()
	t.Setenv("PAINTMARK_BENCH", cache)
	t.Setenv("PAINTMARK_NO_SKIP", "")
	bench := func(t testing.TB) { needs.Bench(t) }
	require.Equal(t, "skipped", run(t, bench).how)
	t.Setenv("PAINTMARK_BENCH", "")
	require.Equal(t, "skipped", run(t, bench).how)
	t.Setenv("PAINTMARK_NO_SKIP", "bench")
	require.Equal(t, "failed", run(t, bench).how)
	t.Setenv("PAINTMARK_BENCH", cache)
	e := run(t, bench)
	require.Equal(t, "failed", e.how)
	require.Contains(t, e.said, "testdata/bench/build")
	require.NoError(t, os.WriteFile(filepath.Join(cache, "made"), nil, 0o600))
	require.Equal(t, "ran", run(t, bench).how)
}
