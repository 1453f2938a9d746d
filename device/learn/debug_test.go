package learn

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

func TestDebug(t *testing.T) {
	n, err := strconv.ParseUint(os.Getenv("CASE"), 10, 64)
	if err != nil {
		t.Skip()
	}
	r := rand.New(rand.NewPCG(77, n))
	i := invent(r)
	heard, tries := newSession(i, r).listen(NewGuesser())
	t.Log(i.describe(), tries)
	for _, h := range heard {
		t.Log(Words(h.Line), h.Shown)
		for k, c := range h.Chunks {
			if k < 12 {
				t.Logf("   %v %q", c.At, c.Bytes)
			}
		}
	}
	result := Learn(heard, Options{})
	t.Log(result.Why, "\n", result.Profile)
	t.Log(judge(i, r, result))
}
