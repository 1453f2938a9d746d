package attach_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/attach"
	"paintmark/device/devicetest"
	"paintmark/device/profile"
)

// socket is a place into which wires are plugged.
type socket struct {
	mu   sync.Mutex
	wire *devicetest.Wire
}

func (s *socket) Address() device.Address { return at }

func (s *socket) Open(ctx context.Context) (device.Link, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wire.Open(ctx)
}

func (s *socket) plug(w *devicetest.Wire) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wire = w
}

func hinted(t *testing.T, err error) string {
	t.Helper()
	var h interface{ HintText() string }
	require.ErrorAs(t, err, &h)
	return h.HintText()
}

// The ways in which things go wrong at the stand, each with its own words. None
// ends the adapter, loses a finished reading, or makes one of what is none.
func TestWhenThingsGoWrong(t *testing.T) {
	sequence := func(t *testing.T) *profile.Profile {
		p, err := profile.Parse("p.toml", []byte("name = \"p\"\n[framing]\nending = \"lf\"\n[reading]\npattern = '(?P<sequence>\\d\\d) (?P<value>\\d+)'\nunit = \"N·m\"\n[talk]\nquiet = \"2 s\"\n"))
		require.NoError(t, err)
		return p
	}
	for _, tc := range []struct {
		name string
		try  func(t *testing.T, w *devicetest.Wire, s *socket, a device.Adapter)
		want []string
	}{
		{"unplugged in mid-frame", func(t *testing.T, w *devicetest.Wire, _ *socket, _ device.Adapter) {
			require.NoError(t, w.Feed([]byte("01 88\n02 8")))
			require.NoError(t, w.Unplug())
		}, []string{
			"sampled 88 N·m", `rejected "02 8" scripted:here: the end of a frame is missing: the instrument was lost`, "lost scripted:here: instrument lost",
		}},
		{"plugged into another socket", func(t *testing.T, w *devicetest.Wire, s *socket, _ device.Adapter) {
			require.NoError(t, w.Unplug())
			time.Sleep(time.Second)
			moved := devicetest.NewWire(at, "PM-7")
			s.plug(moved)
			time.Sleep(time.Second)
			require.NoError(t, moved.Feed([]byte("01 88\n")))
		}, []string{"lost scripted:here: instrument lost", "found PM-7", "sampled 88 N·m"}},
		{"another adapter at the path", func(t *testing.T, w *devicetest.Wire, s *socket, a device.Adapter) {
			require.NoError(t, w.Unplug())
			other := devicetest.NewWire(at, "PM-8")
			s.plug(other)
			time.Sleep(time.Second)
			require.NoError(t, other.Feed([]byte("01 88\n")))
			require.Equal(t, device.Lost, next(t, a).Kind)
			e := next(t, a)
			require.Equal(t, device.Found, e.Kind)
			require.EqualError(t, e.Err, "scripted:here: another one is there now, PM-8 instead of PM-7; its values carry that")
			require.Contains(t, hinted(t, e.Err), "if two cables were exchanged")
			e = next(t, a)
			require.Equal(t, device.Sampled, e.Kind)
			require.Equal(t, "PM-8", e.Identity)
		}, []string{}},
		{"power cycled", func(t *testing.T, w *devicetest.Wire, _ *socket, a device.Adapter) {
			require.NoError(t, w.Feed([]byte("41 88\n")))
			time.Sleep(3 * time.Second)
			require.NoError(t, w.Feed([]byte("00 12\n01 13\n")))
			synctest.Wait()
		}, []string{
			"sampled 88 N·m", "quiet", "resumed",
			`rejected "00 12\n" scripted:here: frames are missing: the count went from 41 to 0`, "sampled 12 N·m", "sampled 13 N·m",
		}},
		{"a stream that stops", func(t *testing.T, w *devicetest.Wire, _ *socket, a device.Adapter) {
			require.NoError(t, w.Feed([]byte("01 88\n")))
			require.Equal(t, device.Sampled, next(t, a).Kind)
			e := next(t, a)
			require.EqualError(t, e.Err, "scripted:here: no good frame came for 2s")
			require.Equal(t, "its adapter is there: is the instrument switched on, its battery good, and in the mode in which it sends?", hinted(t, e.Err))
			require.Equal(t, 2*time.Second, time.Since(e.Since))
		}, []string{}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := devicetest.NewWire(at, "PM-7")
				s := &socket{wire: w}
				a := attach.Attach(t.Context(), s, sequence(t), attach.Options{})
				synctest.Wait()
				tc.try(t, w, s, a)
				require.Equal(t, tc.want, append([]string{}, story(t, a, len(tc.want))...))
				require.NoError(t, a.Close())
			})
		})
	}
}

// Two instruments of one kind at one time: one is unplugged, floods or falls
// silent, and the other does not notice.
func TestTwoOfOneKindGoTheirOwnWays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := talking(t, "[talk]\nquiet = \"2 s\"")
		wires := map[string]*devicetest.Wire{}
		adapters := map[string]device.Adapter{}
		for _, name := range []string{"A", "B"} {
			wires[name] = devicetest.NewWire(device.Address{Transport: "wire", Place: name}, name)
			adapters[name] = attach.Attach(t.Context(), wires[name], p, attach.Options{})
		}
		synctest.Wait()
		feed := func(name, text string) { require.NoError(t, wires[name].Feed([]byte(text))) }
		for n := range 100 {
			feed("B", fmt.Sprintf("%d\n", n))
			switch n {
			case 10:
				feed("A", "1\n2")
				require.NoError(t, wires["A"].Unplug())
			case 30:
				require.NoError(t, wires["A"].Plug())
			case 40:
				for range 50 {
					feed("A", "x\n")
				}
			}
			time.Sleep(100 * time.Millisecond)
		}
		got := rest(t, adapters["B"])
		require.Len(t, got, 100)
		for n, e := range got {
			require.Equal(t, fmt.Sprintf("%d N·m", n), e.Sample.Value.String())
			require.Equal(t, "B", e.Identity)
		}
		kinds := map[device.EventKind]int{}
		for _, e := range rest(t, adapters["A"]) {
			require.Equal(t, "A", e.Identity)
			kinds[e.Kind] += max(1, e.Pieces)
		}
		require.Equal(t, map[device.EventKind]int{device.Sampled: 1, device.Rejected: 1 + 50, device.Lost: 1, device.Found: 1, device.Quiet: 1}, kinds)
		for _, a := range adapters {
			require.NoError(t, a.Close())
		}
	})
}

// A loose plug is looked for more seldom, so that a night of it fills no book,
// and is read like any other when it holds.
func TestALoosePlug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var opens []open
		for range 30 {
			opens = append(opens, open{link: newLink(device.ErrLost)})
		}
		tr := &scripted{opens: append(opens, open{link: newLink(nil, "1\n")})}
		a := attach.Attach(t.Context(), tr, lines(t), attach.Options{})
		began := time.Now()
		lost := 0
		for e := next(t, a); e.Kind != device.Sampled; e = next(t, a) {
			if e.Kind == device.Lost {
				lost++
			}
		}
		require.Equal(t, 30, lost)
		require.Equal(t, attach.Bounces*attach.DefaultInterval+(30-attach.Bounces)*attach.Lull, time.Since(began))
		require.NoError(t, a.Close())
	})
}
