package profile_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/device"
	"paintmark/device/profile"
	"paintmark/device/replay"
)

func format(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	return string(text)
}

// Every example of the document is a profile, and reads what the document says.
func TestExamplesOfTheFormat(t *testing.T) {
	blocks := regexp.MustCompile("(?ms)^```([a-z]*)\n(.*?)^```$").FindAllStringSubmatch(format(t), -1)
	var p *profile.Profile
	profiles, read := 0, 0
	for _, b := range blocks {
		switch kind, text := b[1], b[2]; kind {
		case "toml":
			if !strings.HasPrefix(text, "name =") {
				text = "name = \"example\"\n" + text
			}
			var err error
			p, err = profile.Parse("example.toml", []byte(text))
			require.NoError(t, err, text)
			profiles++
		case "reads":
			for line := range strings.Lines(text) {
				bytes, want := example(t, line)
				require.Equal(t, want, outcome(p, bytes), "%s in\n%s", line, text)
				read++
			}
		default:
			require.Fail(t, "a block of an unknown kind", "%q", kind)
		}
	}
	require.Equal(t, []int{12, 27}, []int{profiles, read})
}

// example takes a line of the document apart: bytes as in a recording, and what
// they are to come to.
func example(t *testing.T, line string) (bytes []byte, want string) {
	t.Helper()
	parts := regexp.MustCompile(`^(.*?) +([=!]) (.*)\n$`).FindStringSubmatch(line)
	require.NotNil(t, parts, line)
	chunk, err := replay.NewReader("FORMAT.md", strings.NewReader(replay.Header+"\n0 "+parts[1]+"\n")).Next()
	require.NoError(t, err, line)
	return chunk.Bytes, parts[2] + " " + parts[3]
}

// outcome is what the first frame in bytes comes to.
func outcome(p *profile.Profile, bytes []byte) string {
	r := p.NewReader()
	r.Feed(bytes, noon)
	r.EndPacket()
	o, ok := r.Next()
	if !ok { // what silence ends
		r.Elapse(noon.Add(1e12))
		o, ok = r.Next()
	}
	switch {
	case !ok:
		return "nothing"
	case o.Err != nil:
		return "! " + o.Err.Error()
	}
	return "= " + shown(o.Sample)
}

// shown is what a sample says, as the document has it.
func shown(s device.Sample) string {
	text := s.Value.String()
	if !s.Angle.IsZero() {
		text += ", " + s.Angle.String()
	}
	if len(s.Status) > 0 {
		text += " [" + strings.Join(s.Status, ", ") + "]"
	}
	return text
}

// The document names every worked profile, and none that is not there.
func TestWorkedProfilesOfTheFormat(t *testing.T) {
	_, table, ok := strings.Cut(format(t), "| profile | shows |")
	require.True(t, ok)
	table, _, _ = strings.Cut(table, "\n\n")
	named := regexp.MustCompile(`(?m)^\| \x60([a-z-]+)\x60`).FindAllStringSubmatch(table, -1)
	files, err := filepath.Glob(folder + "/*.toml")
	require.NoError(t, err)
	require.Len(t, named, len(files))
	for _, n := range named {
		require.FileExists(t, filepath.Join(folder, n[1]+".toml"))
	}
}

// The document has every key of the file, and none that is not there.
func TestKeysOfTheFormat(t *testing.T) {
	const far = "zzzzzzzzzzzzzzzzzzzzzzzz"
	for heading, table := range map[string]string{
		"## Top": "", "## `[line]`": "line", "## `[framing]`": "framing", "## `[check]`": "check", "## `[reading]`": "reading",
		"## `[field.NAME]`": "field.value", "## `[talk]`": "talk", "## `[modbus]`": "modbus",
	} {
		_, section, ok := strings.Cut(format(t), "\n"+heading)
		require.True(t, ok, heading)
		section, _, _ = strings.Cut(section, "\n## ")
		documented := map[string]bool{}
		for _, row := range regexp.MustCompile(`(?m)^\| (.*?) \|`).FindAllStringSubmatch(section, -1) {
			for _, key := range regexp.MustCompile(`\x60\[?(?:[a-z]+\.)?([a-z_]+)\]?\x60`).FindAllStringSubmatch(row[1], -1) {
				documented[key[1]] = true
			}
		}
		text := far + " = 1\n"
		if table != "" {
			text = fmt.Sprintf("[%s]\n%s", table, text)
		}
		_, err := profile.Parse("p.toml", []byte(text))
		var fault *document.Fault
		require.True(t, errors.As(err, &fault), heading)
		known, ok := strings.CutPrefix(fault.Hint, "the keys known here are ")
		require.True(t, ok, fault.Hint)
		for _, key := range strings.Split(known, ", ") {
			if table == "" && strings.Contains(format(t), "\n## `["+key) {
				continue
			}
			require.True(t, documented[key], "%s has no %s", heading, key)
			delete(documented, key)
		}
		require.Empty(t, documented, heading)
	}
}
