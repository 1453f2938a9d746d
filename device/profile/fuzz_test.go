package profile_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/device/profile"
)

// Whatever a file holds, it is a profile or a fault with its place; and what it
// makes of lines never panics.
func FuzzProfile(f *testing.F) {
	files, err := filepath.Glob(folder + "/*.toml")
	if err != nil || len(files) == 0 {
		f.Fatal("no profiles", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text, []byte("+0088.4 Nm OK\r\n"))
	}
	f.Add([]byte("name = \"p\"\n[reading]\npattern = '(?P<value>a|b)(?P<unit>.)?'\nunits = { \"\" = \"mm\" }\n"), []byte("ab"))
	for _, s := range styles() {
		f.Add([]byte("name = \"p\"\n"+s.profile), []byte(s.frame))
	}
	f.Fuzz(func(t *testing.T, text, line []byte) {
		p, err := profile.Parse("p.toml", text)
		if err != nil {
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			require.NotEmpty(t, faults)
			return
		}
		require.NotEmpty(t, p.Name)
		cut(p, line)
		s, err := p.Decode(profile.Frame{Raw: line, Body: line})
		if err == nil {
			require.Equal(t, string(line), string(s.Raw))
		} else if !errors.Is(err, profile.ErrIgnored) {
			var r *profile.Rejection
			require.ErrorAs(t, err, &r)
		}
	})
}

// Whatever comes down a line, in whatever pieces, every byte of it is accounted
// for, and what is decoded is what the pattern says.
func FuzzLines(f *testing.F) {
	f.Add([]byte("+0088.4 Nm OK\r\n+0065.0 ftlb LB\r\n"), uint8(3), uint8(20))
	f.Add([]byte("  +9.982 mm\r\x00\xff\n-0.015 in\r\n"), uint8(1), uint8(12))
	f.Add([]byte("T= 45,20;A= 33,5;0\nT=102,75;A= 90,0;1\n"), uint8(7), uint8(40))
	f.Add([]byte("123456789\r\n1\r\n"), uint8(2), uint8(3))
	var decoders []*profile.Profile
	for _, name := range []string{"wrench-line.toml", "indicator-line.toml", "angle-line.toml"} {
		decoders = append(decoders, load(f, name))
	}
	f.Fuzz(func(t *testing.T, stream []byte, size, longest uint8) {
		var pieces [][]byte
		for rest := stream; len(rest) > 0; {
			n := min(int(size)+1, len(rest))
			pieces, rest = append(pieces, rest[:n]), rest[n:]
		}
		for _, end := range endings {
			p := parse(t, fmt.Sprintf("ending = %q\nlongest = %d", end, max(1, longest)), "")
			checkStream(t, p, stream, pieces, end)
		}
		for _, p := range decoders {
			framer := p.NewFramer()
			framer.Feed(stream, noon)
			for {
				frame, ok := framer.Next()
				if !ok {
					break
				}
				s, err := p.Decode(frame)
				if err != nil {
					continue
				}
				require.True(t, s.Value.Unit.Known())
				require.Equal(t, string(frame.Raw), string(s.Raw))
				require.Contains(t, string(frame.Raw), s.Value.Text)
			}
		}
	})
}
