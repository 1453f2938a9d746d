// Package needs is for tests that need more than the go command: a browser, a
// shell, a virtual machine. What is missing skips the test and says so, unless the variable
// PAINTMARK_NO_SKIP names it (a list with commas, or "all"): then the test
// fails, so that nothing is skipped unseen where all should be there.
package needs

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// noSkip is the variable that lists what must be there.
const noSkip = "PAINTMARK_NO_SKIP"

// Chromium returns the browser that pages are looked at with: the one that
// PAINTMARK_CHROMIUM names, else "chromium" of the search path.
func Chromium(t testing.TB) string {
	t.Helper()
	if path := os.Getenv("PAINTMARK_CHROMIUM"); path != "" {
		if _, err := os.Stat(path); err != nil {
			t.Fatalf("PAINTMARK_CHROMIUM: %v", err)
		}
		return path
	}
	return Tool(t, "chromium")
}

// Bench wants the virtual machine of testdata/bench, in the folder that
// PAINTMARK_BENCH names: it is slow, so that it is there does not run it.
func Bench(t testing.TB) {
	t.Helper()
	cache := os.Getenv("PAINTMARK_BENCH")
	if cache == "" {
		missing(t, "bench", "set PAINTMARK_BENCH to the folder that testdata/bench/build says")
	}
	if _, err := os.Stat(filepath.Join(cache, "made")); err != nil {
		missing(t, "bench", "testdata/bench/build has built no virtual machine: "+err.Error())
	}
}

// Tool returns the path of a program that may be missing.
func Tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, name, err.Error())
	}
	return path
}

// missing ends the test as skipped, or as failed where what must be there.
func missing(t testing.TB, what, why string) {
	t.Helper()
	list := strings.Split(os.Getenv(noSkip), ",")
	if slices.Contains(list, what) || slices.Contains(list, "all") {
		t.Fatalf("%s is missing (%s), and %s says that it must not be", what, why, noSkip)
	}
	t.Skipf("needs %s: %s", what, why)
}
