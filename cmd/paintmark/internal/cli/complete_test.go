package cli_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/cmd/paintmark/internal/cli"
	"paintmark/cmd/paintmark/internal/needs"
)

// asked is the program's answer to the zsh and fish scripts, without meanings.
func asked(t *testing.T, words ...string) []string {
	t.Helper()
	out, errs, exit := run(t.Context(), sample(nil), append([]string{"__complete", "zsh"}, words...)...)
	require.Equal(t, 0, exit, errs)
	require.Empty(t, errs)
	var list []string
	for line := range strings.Lines(out) {
		word, _, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		list = append(list, word)
	}
	return list
}

func TestCompletion(t *testing.T) {
	for _, row := range []struct{ typed, want, why string }{
		{"|", "words state plan fail", "commands"},
		{"|s", "words state", "those that begin so"},
		{"|st|v", "words", "behind a command that there is not"},
		{"|plan|", "words check", "commands of a group"},
		{"|--shelf|x|", "words state plan fail", "behind a common flag"},
		{"|--shelf|", "folders", "a flag's value"},
		{"|state|--shelf|", "folders", "the same behind the command"},
		{"|state|--from=pa", "files", "a value behind ="},
		{"|state|--paper|", "words a4 letter", "a choice"},
		{"|state|--paper=l", "words --paper=letter", "a choice behind ="},
		{"|state|--json=", "words", "no value to choose"},
		{"|state|--shelf|/x/y|", "words on-y", "the completer sees the flags"},
		{"|state|v8-0", "words v8-017 v8-018", "an argument"},
		{"|state|--most|bad|v8-0", "words v8-017 v8-018", "behind a fault"},
		{"|state|b|", "words b/7 b/8", "the completer sees the arguments"},
		{"|state|b|b/7|b/8", "words b/8", "an argument that takes the rest"},
		{"|state|--", "words --wait --most --only --paper --from --json --shelf --help", "flags"},
		{"|state|--json|--most|3|--only|x|--", "words --wait --only --paper --from --shelf --help", "flags not twice"},
		{"|state|b|--js", "words --json", "flags behind an argument"},
		{"|state|--|--", "words", "no flags behind --"},
		{"|state|--|v", "words v8-017 v8-018", "but arguments"},
		{"|state|--|v8-017|", "words v8-017/7 v8-017/8", "and the next"},
		{"|plan|check|", "files", "a file"},
		{"|plan|check|a|", "words", "no argument is left"},
		{"|fail|", "words", "an argument without a completer"},
	} {
		t.Run(row.typed, func(t *testing.T) {
			require.Equal(t, strings.Fields(row.want), asked(t, strings.Split(row.typed, "|")[1:]...), row.why)
		})
	}
}

func TestCompletionSaysWhatWordsMean(t *testing.T) {
	out, _, exit := run(t.Context(), sample(nil), "__complete", "fish", "state", "v8-017")
	require.Equal(t, "words\nv8-017\tinch\n", out)
	require.Equal(t, 0, exit)
}

// bash takes the word being typed to begin behind ":" and "=".
func TestCompletionForBash(t *testing.T) {
	const breaks = " \t\n\"'><=;|&(:"
	for _, row := range []struct{ line, want string }{
		{"sample ", "state plan fail"},
		{"sample state usb", "usb:A5INVENT"},
		{"sample state usb:", "A5INVENT"},
		{"sample state usb:A5", "A5INVENT"},
		{"sample state --paper=", "a4 letter"},
		{"sample state --paper=l", "letter"},
		{"sample state two", `two\ words`},
		{`sample state two\ `, `two\ words`},
		{`sample state "two `, `two words`},
		{`sample state 'two `, `two words`},
		{`sample --shelf "/x/a b" state `, `on-a\ b`},
		{`sample --shelf /x/a\ b state `, `on-a\ b`},
		{"sample state 'usb:A5INVENT' ", "usb:A5INVENT/7 usb:A5INVENT/8"},
	} {
		t.Run(row.line, func(t *testing.T) {
			out, errs, exit := run(t.Context(), sample(nil), "__complete", "bash", row.line, breaks)
			require.Equal(t, 0, exit, errs)
			var words []string
			for _, line := range strings.Split(strings.TrimSpace(out), "\n")[1:] {
				word, _, _ := strings.Cut(line, "\t")
				words = append(words, word)
			}
			require.Equal(t, row.want, strings.Join(words, " "))
		})
	}
}

func TestCompletionScriptsOfUnknownShells(t *testing.T) {
	_, err := cli.CompletionScript("tcl", "sample")
	require.ErrorContains(t, err, `"tcl" is none of bash, zsh, fish`)
	for _, args := range [][]string{{"__complete"}, {"__complete", "bash", "line"}} {
		_, _, exit := run(t.Context(), sample(nil), args...)
		require.Equal(t, 2, exit)
	}
}

// shellEnv makes "sample" a program that shells find, in a folder with a file
// and a folder to complete to, and writes the shell's script there.
func shellEnv(t *testing.T, shell string) (path, dir string, env []string) {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("the shells' completion is for Unix")
	}
	path = needs.Tool(t, shell)
	here, err := os.Executable()
	require.NoError(t, err)
	dir = t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "bin"), 0o777))
	require.NoError(t, os.Symlink(here, filepath.Join(dir, "bin", "sample")))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder"), 0o777))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "file.toml"), nil, 0o666))
	script, err := cli.CompletionScript(shell, "sample")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "script"), []byte(script), 0o666))
	home := t.TempDir()
	return path, dir, append(os.Environ(), "PATH="+filepath.Join(dir, "bin")+":"+os.Getenv("PATH"), "HOME="+home,
		"XDG_CONFIG_HOME="+home, "XDG_DATA_HOME="+home, "TERM=dumb", "INPUTRC=/dev/null", "LC_ALL=C.UTF-8")
}

func output(t *testing.T, path, dir string, env []string, args ...string) string {
	t.Helper()
	command := exec.CommandContext(t.Context(), path, args...)
	command.Dir, command.Env = dir, env
	out, err := command.CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

func sortedFields(text string) []string {
	words := strings.Fields(text)
	slices.Sort(words)
	return words
}

// The function is called as bash calls it. Outside of a completion there is no
// compopt, as in bash 3, so this is also the way that goes without it.
func TestBashFunction(t *testing.T) {
	bash, dir, env := shellEnv(t, "bash")
	for _, row := range []struct{ line, behind, want string }{
		{"sample st", "", "state"},
		{"sample state v8-0", "", "v8-017 v8-018"},
		{"sample state v8 --js", "", "--json"},
		{"sample state -- --", "", ""},
		{"sample plan check f", "", "file.toml folder"},
		{"sample --shelf f", "", "folder"},
		{"sample zzz ", "", ""},
		{"sample st", " v8-017 --json", "state"}, // the cursor stands in the line
	} {
		t.Run(row.line, func(t *testing.T) {
			const call = `source ./script; COMP_LINE=$1$2; COMP_POINT=${#1}; COMP_WORDS=("" "${1##* }"); COMP_CWORD=1
				__sample_complete sample; echo "${COMPREPLY[@]}"`
			out := output(t, bash, dir, env, "--norc", "--noprofile", "-c", call, "bash", row.line, row.behind)
			require.Equal(t, row.want, strings.Join(sortedFields(out), " "))
		})
	}
	out := output(t, bash, dir, env, "--norc", "--noprofile", "-c", "source ./script; complete -p sample")
	require.Contains(t, out, "-F __sample_complete sample")
}

func TestFishCompletes(t *testing.T) {
	fish, dir, env := shellEnv(t, "fish")
	for _, row := range []struct{ line, want string }{
		{"sample st", "state\tsays how far a build is"},
		{"sample state v8-0", "v8-017\tinch\nv8-018\tmetric"},
		{"sample state v8 --js", "--json\tanswer in JSON"},
		{"sample state -- --", ""},
		{"sample state two", "two words"},
		{"sample --shelf fo", "folder/\tDirectory"},
		{"sample plan check fi", "file.toml"},
		{"sample ", "state\tsays how far a build is\nplan\tworks on plans\nfail\tfails in the way that is asked for"},
	} {
		t.Run(row.line, func(t *testing.T) {
			out := output(t, fish, dir, env, "--no-config", "-c", "source ./script; complete -C $argv[1]", row.line)
			require.Equal(t, row.want, strings.TrimSpace(out))
		})
	}
}
