package plan

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/document"
	"paintmark/calc/quantity"
)

// FuzzPlan: no text makes Parse panic. What it refuses it refuses with its
// place; what it takes can be worked on.
func FuzzPlan(f *testing.F) {
	for _, name := range []string{"straight-six.toml", "vee-six.toml", "angle-twin.toml"} {
		text, err := os.ReadFile("../../testdata/plans/" + name)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Add([]byte(sound))
	f.Add([]byte("joint = [{}]\nengine.name = 3"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := Parse("plan.toml", text)
		if err != nil {
			var faults document.Faults
			require.ErrorAs(t, err, &faults)
			require.NotEmpty(t, faults)
			for _, fault := range faults {
				require.NotEmpty(t, fault.Problem)
				require.NotContains(t, fault.Problem, "\n")
				require.LessOrEqual(t, fault.Line, strings.Count(string(text), "\n")+1)
			}
			return
		}
		workable(t, p)
	})
}

// workable checks what the rest of the program takes for granted of a plan.
func workable(t *testing.T, p *Plan) {
	require.NotEmpty(t, p.Joints)
	seen := map[string]bool{}
	for _, j := range p.Joints {
		require.False(t, seen[j.Key])
		seen[j.Key] = true
		require.NotEmpty(t, j.Bolts)
		places := map[string]bool{HeatCycles: true}
		for _, b := range j.Bolts {
			require.False(t, places[b.Key], "bolt %s", b.Key)
			places[b.Key] = true
		}
		free := 0
		for _, s := range j.Steps {
			if s.FreeLength() {
				free++
				_, bolt := j.Bolt(s.Key)
				require.True(t, bolt, "length of %s", s.Key)
				require.Equal(t, quantity.Length, s.Free.Dimension())
				continue
			}
			require.False(t, places[s.Key], "step %s", s.Key)
			places[s.Key] = true
		}
		stretch := slices.ContainsFunc(j.Passes, Pass.ByStretch)
		require.Equal(t, map[bool]int{true: len(j.Bolts), false: 0}[stretch], free)
		require.NotEmpty(t, j.Stages())
		kind := Stage
		keys := map[string]bool{}
		for i, pass := range j.Passes {
			require.False(t, keys[string(pass.Key)])
			keys[string(pass.Key)] = true
			require.GreaterOrEqual(t, pass.Kind, kind, "stages, re-check, re-torque")
			kind = pass.Kind
			if pass.Kind != Stage {
				require.Equal(t, quantity.Torque, pass.Target.Dimension())
			}
			require.Equal(t, pass.ByAngle(), !pass.Snug.IsZero())
			require.True(t, pass.ByAngle() || pass.Watch.IsZero())
			require.False(t, pass.ByAngle() && (i == 0 || j.Passes[i-1].ByStretch()))
			require.Positive(t, pass.Target.Value.Sign())
			require.False(t, pass.Limits.IsZero())
			place, err := pass.Limits.Place(pass.Target)
			require.NoError(t, err)
			require.Equal(t, quantity.Inside, place, "%s in %s", pass.Target, pass.Limits)
			require.GreaterOrEqual(t, pass.First, 0)
			require.LessOrEqual(t, pass.First, len(j.Bolts))
			require.GreaterOrEqual(t, pass.Wait, 0*pass.Wait)
			require.False(t, pass.Kind == Recheck && pass.Relaxed.IsZero() && pass.Moved.IsZero())
			require.False(t, pass.Kind == Retorque && pass.HeatCycles < 1)
		}
	}
	// Joints can be made one after the other.
	finished := map[string]bool{}
	for range p.Joints {
		for _, j := range p.Joints {
			ready := true
			for _, key := range j.After {
				require.True(t, seen[key])
				ready = ready && finished[key]
			}
			finished[j.Key] = finished[j.Key] || ready
		}
	}
	for _, j := range p.Joints {
		require.True(t, finished[j.Key], "%s can never be begun", j.Key)
	}
}
