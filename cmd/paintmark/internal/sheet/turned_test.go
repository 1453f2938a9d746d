package sheet

import (
	"testing"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/calc/judge"
	"paintmark/calc/quantity"
)

// Stages by stretch and by angle, and what was decided about them.
func TestAnglesAndStretchesAreOnThePage(t *testing.T) {
	r := newRecord(t, "angle-twin.toml", fact.Identity{Name: "engine number", Value: "P2-0001"})
	r.confirm("rods/shells")
	for _, bolt := range []string{"rods/1L", "rods/1R", "rods/2L", "rods/2R"} {
		r.reading(bolt, "", "61.250 mm", gauge)
	}
	for _, bolt := range []string{"rods/1L", "rods/1R", "rods/2L", "rods/2R"} {
		r.reading(bolt, "stage-1", "25.0 N·m", wrench)
	}
	r.reading("rods/1L", "stage-2", "61.402 mm", gauge)
	r.reading("rods/1R", "stage-2", "61.380 mm", gauge)
	r.reading("rods/2L", "stage-2", "61.400 mm", gauge)
	r.reading("rods/2R", "stage-2", "61.400 mm", gauge)
	turn := func(point fact.Point, torque, angle string) {
		made := fact.Reading{Point: point, Pass: "stage-2", Angle: quantity.MustParse(angle), Attested: true}
		if torque != "" {
			made.Value = quantity.MustParse(torque)
		}
		r.add(made)
	}
	r.confirm("head/new-bolts")
	for _, bolt := range []string{"head/2", "head/3", "head/1", "head/4"} {
		r.reading(bolt, "stage-1", "40.0 N·m", wrench)
	}
	turn("head/2", "92.0 N·m", "50.0°")
	turn("head/2", "92.0 N·m", "40.0°")
	turn("head/3", "", "90°")
	in := r.input(t)
	name := ""
	for _, f := range in.State.Findings {
		if f.Kind == judge.UnderStretched {
			name = f.Name
		}
	}
	accepted, err := in.State.Accept(name, "enough for this rod", "A. Muster")
	require.NoError(t, err)
	r.add(accepted)
	r.add(fact.SentBack{Point: "head/2", Pass: "stage-2", Because: "the mark has turned", By: "A. Muster"})
	_, root := written(t, r.input(t))
	for _, want := range []string{
		"stretch 0.150 mm", "stretch 0.152 mm", "stretch 0.130 mm", "length of bolt 1L before it is tightened", name,
		"Each bolt is turned 90° on (85–95°) from the end of the stage before, which is snug at 40 N·m. The torque at the end is watched: 70–120 N·m.",
		"turned 90.0° in all", "torque not watched", "turn 90°",
		"Let stand: accepted by A. Muster: enough for this rod", "Decisions", "accepted under-stretched", "A. Muster: the mark has turned",
		"A. Muster wants it done again: the mark has turned",
	} {
		require.Contains(t, root.text, want)
	}
	require.NotContains(t, root.text, "pull to 90°")
}
