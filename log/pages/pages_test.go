package pages_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"paintmark/log/pages"
)

// write makes a bbolt file out of transactions, each a list of keys with the
// length of their values, and gives its bytes.
func write(t require.TestingT, path string, transactions ...map[string]int) []byte {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{PageSize: 4096, Timeout: 1})
	require.NoError(t, err)
	for _, pairs := range transactions {
		require.NoError(t, db.Update(func(tx *bbolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte("things"))
			if err != nil {
				return err
			}
			for key, length := range pairs {
				if err := b.Put([]byte(key), valueOf(key, length)); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	require.NoError(t, db.Close())
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return data
}

func valueOf(key string, length int) []byte {
	return bytes.Repeat([]byte(key), length/len(key)+1)[:length]
}

func open(t require.TestingT, data []byte) *pages.File {
	f, err := pages.Open(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	return f
}

// What bbolt wrote, of whatever shape, is read as it was, and nothing is wrong
// with it.
func TestReadsWhatWasWritten(t *testing.T) {
	dir, n := t.TempDir(), 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		all := map[string]int{}
		var transactions []map[string]int
		for range rapid.IntRange(1, 6).Draw(t, "transactions") {
			pairs := rapid.MapOfN(rapid.StringMatching(`[a-e]{1,3}/[0-9]{1,3}`), rapid.OneOf(rapid.IntRange(0, 300), rapid.IntRange(0, 20000)), 1, 60).Draw(t, "pairs")
			for key, length := range pairs {
				if _, twice := all[key]; twice {
					delete(pairs, key) // a book only ever adds
				} else {
					all[key] = length
				}
			}
			transactions = append(transactions, pairs)
		}
		f := open(t, write(t, filepath.Join(dir, fmt.Sprint(n)), transactions...))
		require.Empty(t, f.Faults)
		require.Empty(t, f.Check())
		buckets, faults := f.Buckets()
		require.Empty(t, faults)
		b := buckets["things"]
		require.NotNil(t, b)

		var keys []string
		require.Empty(t, b.All(func(key, value []byte) {
			keys = append(keys, string(key))
			require.Equal(t, valueOf(string(key), all[string(key)]), value)
		}))
		require.True(t, slices.IsSorted(keys))
		require.Len(t, keys, len(all))

		prefix := rapid.StringMatching(`[a-e]{0,3}/?`).Draw(t, "prefix")
		var got, want []string
		require.NoError(t, b.Prefix([]byte(prefix), func(key, _ []byte) error {
			got = append(got, string(key))
			return nil
		}))
		for _, key := range keys {
			if strings.HasPrefix(key, prefix) {
				want = append(want, key)
			}
		}
		require.Equal(t, want, got)

		key := rapid.SampledFrom(keys).Draw(t, "key")
		value, err := b.Get([]byte(key))
		require.NoError(t, err)
		require.Equal(t, valueOf(key, all[key]), value)
		value, err = b.Get([]byte(key + "-"))
		require.NoError(t, err)
		require.Nil(t, value)
	})
}

func sample(t require.TestingT, path string) []byte {
	first, second := map[string]int{}, map[string]int{}
	for i := range 150 {
		first[fmt.Sprintf("a/%03d", i)] = 100
		second[fmt.Sprintf("b/%03d", i)] = 50 * (i % 5)
	}
	second["c/long"] = 9000
	return write(t, path, first, second)
}

func TestHeaders(t *testing.T) {
	data := sample(t, filepath.Join(t.TempDir(), "x"))
	newest := open(t, data).Meta
	require.EqualValues(t, 4096, newest.PageSize)
	for name, c := range map[string]struct {
		change func([]byte) []byte
		err    error
		faults int
		meta   func(pages.Meta) bool
	}{
		"as it is":        {func(d []byte) []byte { return d }, nil, 0, func(m pages.Meta) bool { return m == newest }},
		"newest damaged":  {func(d []byte) []byte { d[newest.Page*4096+50] ^= 1; return d }, nil, 1, func(m pages.Meta) bool { return m.Transaction == newest.Transaction-1 }},
		"older damaged":   {func(d []byte) []byte { d[(1-newest.Page)*4096+50] ^= 1; return d }, nil, 1, func(m pages.Meta) bool { return m == newest }},
		"first page zero": {func(d []byte) []byte { clear(d[:4096]); return d }, nil, 1, func(m pages.Meta) bool { return m.Page == 1 }},
		"both damaged":    {func(d []byte) []byte { d[50] ^= 1; d[4096+50] ^= 1; return d }, pages.ErrHeaders, 0, nil},
		// bbolt does not look at a header page's head.
		"newest's head damaged": {func(d []byte) []byte { d[newest.Page*4096+1] ^= 1; return d }, nil, 1, func(m pages.Meta) bool { return m == newest }},
		"both swapped":          {func(d []byte) []byte { return slices.Concat(d[4096:8192], d[:4096], d[8192:]) }, nil, 2, func(m pages.Meta) bool { return m.Transaction == newest.Transaction }},
		"both zero":             {func(d []byte) []byte { clear(d[:8192]); return d }, pages.ErrForeign, 0, nil},
		"text":                  {func([]byte) []byte { return bytes.Repeat([]byte("torque\n"), 3000) }, pages.ErrForeign, 0, nil},
		"little text":           {func([]byte) []byte { return []byte("torque") }, pages.ErrForeign, 0, nil},
		"nothing":               {func([]byte) []byte { return nil }, pages.ErrForeign, 0, nil},
		"cut in head":           {func(d []byte) []byte { return d[:30] }, pages.ErrShort, 0, nil},
		"one page":              {func(d []byte) []byte { return d[:4096] }, pages.ErrShort, 0, nil},
		"a page missing":        {func(d []byte) []byte { return d[:(newest.High-1)*4096] }, pages.ErrShort, 0, nil},
		"just enough":           {func(d []byte) []byte { return d[:newest.High*4096] }, nil, 0, func(m pages.Meta) bool { return m == newest }},
	} {
		t.Run(name, func(t *testing.T) {
			d := c.change(bytes.Clone(data))
			f, err := pages.Open(bytes.NewReader(d), int64(len(d)))
			require.ErrorIs(t, err, c.err)
			if c.err == nil {
				require.Len(t, f.Faults, c.faults)
				require.True(t, c.meta(f.Meta))
			}
		})
	}
}

// Whatever is changed in a file: nothing is read outside of it, no walk goes on
// for ever, and what Check lets pass is in order, so that bbolt can write to it.
func TestDamage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x")
	data := sample(t, path)
	rapid.Check(t, func(t *rapid.T) {
		d := bytes.Clone(data)
		for range rapid.IntRange(1, 8).Draw(t, "changes") {
			page := rapid.IntRange(0, len(d)/4096-1).Draw(t, "page")
			at := page*4096 + rapid.OneOf(rapid.IntRange(0, 64), rapid.IntRange(0, 4095)).Draw(t, "at")
			d[at] = rapid.Byte().Draw(t, "byte")
		}
		d = d[:rapid.OneOf(rapid.Just(len(d)), rapid.IntRange(0, len(d))).Draw(t, "length")]
		if walkAll(t, d) {
			require.NoError(t, os.WriteFile(path, d, 0o600))
			requireWritable(t, path)
		}
	})
}

func requireWritable(t require.TestingT, path string) {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: 1})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	for i := range 3 {
		require.NoError(t, db.Update(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte("things"))
			if b == nil { // its name was changed, no more
				return nil
			}
			return b.Put(fmt.Appendf(nil, "b/%03d-new", 50*i), make([]byte, 3000))
		}))
	}
	require.NoError(t, db.View(func(tx *bbolt.Tx) error {
		for err := range tx.Check() {
			require.NoError(t, err)
		}
		return nil
	}))
}

func FuzzPages(f *testing.F) {
	data := sample(f, filepath.Join(f.TempDir(), "x"))
	f.Add(uint32(8), []byte{1, 0, 255, 255}, uint32(1<<20))
	f.Add(uint32(3*4096+8), []byte{1, 0, 2, 0}, uint32(1<<20))
	f.Add(uint32(5*4096+10), []byte{255, 255, 255, 255, 255, 255}, uint32(1<<20))
	f.Add(uint32(0), []byte{}, uint32(9000))
	f.Fuzz(func(t *testing.T, at uint32, change []byte, length uint32) {
		d := bytes.Clone(data)
		if int(at) < len(d) {
			copy(d[at:], change)
		}
		walkAll(t, d[:min(len(d), int(length))])
	})
}

// walkAll reads all that can be read, and tells whether nothing is wrong.
func walkAll(t require.TestingT, d []byte) bool {
	f, err := pages.Headers(bytes.NewReader(d))
	if err != nil {
		return false
	}
	sound := f.CheckSize(int64(len(d))) == nil && len(f.Check()) == 0
	buckets, faults := f.Buckets()
	require.False(t, sound && len(faults) > 0)
	for _, b := range buckets {
		var last []byte
		faults := b.All(func(key, _ []byte) {
			require.Negative(t, bytes.Compare(last, key), "keys out of order")
			last = bytes.Clone(key)
		})
		require.False(t, sound && len(faults) > 0)
		_, _ = b.Get([]byte("b/007")) // must end
	}
	return sound
}
