package learn

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
	"paintmark/device/replay"
)

// The worked recordings, with noise and damage in them, are learnt from what
// their own profiles read. What is learnt never reads anything else as
// an ordinary value.
func TestLearnsTheWorkedRecordings(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "recordings", "*.rec"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	learnt := map[string]bool{}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".rec")
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "profiles", name+".toml"))
		require.NoError(t, err)
		p, err := profile.Parse(name, text)
		require.NoError(t, err)
		chunks := readRecording(t, file)
		h := Heard{Line: p.Line, Chunks: chunks}
		truth := played(p, chunks)
		for _, v := range truth {
			value, status, _ := strings.Cut(v, " [")
			if status == "" {
				h.Shown = append(h.Shown, value)
			}
		}
		r := Learn([]Heard{h}, Options{})
		whole := r.Reproduced()
		t.Logf("%-18s %d values, reproduced: %v, number %s; %s", name, len(h.Shown), whole, r.Of(Number).Sure, r.Why)
		if !whole {
			require.NotEqual(t, Certain, r.Of(Number).Sure)
			continue
		}
		learnt[name] = true
		q, err := profile.Parse("learnt", []byte(r.Profile))
		require.NoError(t, err)
		for _, v := range played(q, chunks) {
			if strings.Contains(v, " [") {
				continue // with a status it is no ordinary reading
			}
			want, err := ParseShown(v)
			require.NoError(t, err)
			require.True(t, slices.ContainsFunc(truth, func(text string) bool {
				value, _, _ := strings.Cut(text, " [")
				q, err := ParseShown(value)
				return err == nil && q.Unit == want.Unit && q.Value.Equal(want.Value)
			}), "%s: %s is none of %v\n%s", name, v, truth, r.Profile)
		}
	}
	for _, name := range []string{"wrench-line", "indicator-line"} {
		require.True(t, learnt[name], name)
	}
}

func readRecording(t *testing.T, file string) (chunks []Chunk) {
	t.Helper()
	f, err := os.Open(file)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	for r := replay.NewReader(file, f); ; {
		c, err := r.Next()
		if err == io.EOF {
			return chunks
		}
		require.NoError(t, err)
		chunks = append(chunks, Chunk{c.At, c.Bytes})
	}
}

// played are the values that a profile reads of chunks, each with its status.
func played(p *profile.Profile, chunks []Chunk) (list []string) {
	reader := p.NewReader()
	take := func() {
		for o, ok := reader.Next(); ok; o, ok = reader.Next() {
			if o.Err == nil {
				v := strings.TrimSpace(o.Sample.Value.Number() + " " + o.Sample.Value.Unit.String())
				if len(o.Sample.Status) > 0 {
					v += " [" + strings.Join(o.Sample.Status, ", ") + "]"
				}
				list = append(list, v)
			}
		}
	}
	for _, c := range chunks {
		reader.Feed(c.Bytes, moment(c.At))
		reader.EndPacket()
		take()
	}
	reader.Elapse(moment(chunks[len(chunks)-1].At + stillness))
	take()
	return list
}
