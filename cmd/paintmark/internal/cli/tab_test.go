//go:build unix

package cli_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
)

// A terminal types to a shell and reads what it says.
type terminal struct {
	t    *testing.T
	tty  *os.File
	seen bytes.Buffer
}

// expect reads until text has come.
func (s *terminal) expect(text string) string {
	s.t.Helper()
	buffer := make([]byte, 4096)
	for {
		if before, after, found := bytes.Cut(s.seen.Bytes(), []byte(text)); found {
			said := string(before)
			s.seen.Next(len(s.seen.Bytes()) - len(after))
			return said
		}
		n, err := s.tty.Read(buffer)
		require.NoError(s.t, err, "waiting for %q, got %q", text, s.seen.String())
		s.seen.Write(buffer[:n])
	}
}

func (s *terminal) send(text string) {
	s.t.Helper()
	_, err := s.tty.WriteString(text)
	require.NoError(s.t, err)
}

// The Tab key in the real shells: what they make of the line is what the
// program is then called with.
func TestTabKey(t *testing.T) {
	for _, shell := range []struct {
		name  string
		args  []string
		setup string
	}{
		{"bash", []string{"--norc", "--noprofile", "-i"}, "bind 'set enable-bracketed-paste off'; source ./script"},
		{"zsh", []string{"-f", "-i"}, "autoload -U compinit; compinit -u -D; unsetopt zle_bracketed_paste prompt_sp; source ./script"},
	} {
		t.Run(shell.name, func(t *testing.T) {
			path, dir, env := shellEnv(t, shell.name)
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel() // a shell that is stuck is ended, and so is the reading from it
			command := exec.CommandContext(ctx, path, shell.args...)
			command.Dir, command.Env = dir, append(env, "PS1=ready> ")
			tty, err := pty.Start(command)
			require.NoError(t, err)
			defer func() { require.NoError(t, tty.Close()) }()
			s := &terminal{t: t, tty: tty}
			s.expect("ready> ")
			s.send(shell.setup + "\r")
			s.expect("ready> ")
			for _, row := range []struct{ typed, out string }{
				{"sample st\tv8-017\r", `build="v8-017" points=[]`},
				{"sample state usb:A\t--js\t\r", `build="usb:A5INVENT" points=[] wait=30s most=3 only=[] paper="" json=true`},
				{"sample state two\t\r", `build="two words" points=[]`},
				{"sample state --paper=l\tv8-017\r", `build="v8-017" points=[] wait=30s most=3 only=[] paper="letter"`},
				{"sample state -- v8-018 v8-018/8\t\r", `build="v8-018" points=["v8-018/8"]`},
				{"sample plan ch\tfi\t\r", `checked file.toml`},
				{"sample --shelf fol\t state on-f\t\r", `build="on-folder" points=[]`},
			} {
				s.send(row.typed)
				s.expect(row.out)
				s.expect("ready> ")
			}
			s.send("exit\r")
			require.NoError(t, command.Wait())
		})
	}
}
