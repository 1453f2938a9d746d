package shelf_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/log/book"
	"paintmark/log/shelf"
)

func TestBuilds(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shelf")
	s, err := shelf.Open(dir)
	require.NoError(t, err)
	builds, err := s.Builds()
	require.NoError(t, err)
	require.Empty(t, builds, "a shelf that is not there yet")
	require.NoDirExists(t, dir, "asking makes nothing")

	require.NoError(t, os.Mkdir(dir, 0o700))
	for _, name := range []string{"302.2", "2117", "smith-302"} {
		path, err := s.Book(name)
		require.NoError(t, err)
		_, _, err = book.Create(path, book.Options{Station: "bench-1"}, fact.Opening{Build: name})
		require.NoError(t, err)
	}
	for _, other := range []string{"instruments.toml", ".2118.book.X.new", ".2118.book", "notes.txt", "CON.book", "a b.book", ".book"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, other), nil, 0o600))
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "old.book"), 0o700))
	builds, err = s.Builds()
	require.NoError(t, err)
	require.Equal(t, []string{"2117", "302.2", "smith-302"}, builds)
	for _, name := range builds {
		path, err := s.Book(name)
		require.NoError(t, err)
		r, err := book.Verify(path)
		require.NoError(t, err)
		require.True(t, r.Sound())
		require.Equal(t, name, r.Build)
	}
	require.Equal(t, filepath.Join(dir, "instruments.toml"), s.Instruments())
	require.Equal(t, dir, s.Dir())
}

func TestOpen(t *testing.T) {
	_, err := shelf.Open("")
	require.Error(t, err)
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err = shelf.Open(file)
	require.ErrorContains(t, err, "no folder")
}

func TestNames(t *testing.T) {
	s, err := shelf.Open(t.TempDir())
	require.NoError(t, err)
	for _, name := range []string{"2117", "a", "Smith_302.2-b", "_", "com10", "console", "-a"[1:], strings.Repeat("x", shelf.MaxName)} {
		path, err := s.Book(name)
		require.NoError(t, err, name)
		require.Equal(t, filepath.Join(s.Dir(), name+".book"), path)
	}
	for _, name := range []string{"", ".", "..", ".a", "a.", "-a", "a/b", `a\b`, "a b", "../a", "ä", "a\x00", "a\n", "a:b", "con", "NUL.x", "com1", "lpt9.2", strings.Repeat("x", shelf.MaxName+1)} {
		_, err := s.Book(name)
		var e *shelf.NameError
		require.ErrorAs(t, err, &e, "%q", name)
		require.NotEmpty(t, e.HintText())
		require.NotContains(t, err.Error(), "\n")
	}
}
