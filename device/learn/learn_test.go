package learn

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	"paintmark/device/profile"
)

// judged is what was found of one instrument against what it is.
type judged struct {
	right   bool
	unsure  bool     // right in what it reads, but it was not told all
	wrong   []string // what is wrong
	certain []string // what was called certain and is wrong
}

func (j *judged) fault(sure Sure, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	j.wrong = append(j.wrong, text)
	if sure == Certain {
		j.certain = append(j.certain, text)
	}
}

// judge tries a profile on fresh frames of the same instrument.
func judge(i *instrument, r *rand.Rand, result Result) (j judged) {
	shown := map[int]bool{} // signs
	for _, x := range result.Reads {
		if q, err := ParseShown(x.Shown); err == nil {
			shown[q.Value.Sign()] = true
		}
	}
	if result.Profile == "" {
		j.wrong = []string{"nothing learnt: " + result.Why}
		return j
	}
	p, err := profile.Parse("learnt", []byte(result.Profile))
	if err != nil {
		j.certain = []string{err.Error()}
		return j
	}
	if !result.Reproduced() {
		j.fault(result.Of(Number).Sure, "does not reproduce what was shown")
	}
	if b := result.Of(Rate); !strings.HasPrefix(b.Value, fmt.Sprint(i.line.Baud, " ")) {
		j.fault(b.Sure, "rate: %s", b.Value)
	}
	if b := result.Of(Parity); b.Value != formatWords(i.line) && b.Sure == Certain {
		j.fault(b.Sure, "parity: %s", b.Value)
	}
	if b := result.Of(Check); b.Sure == Certain && !strings.HasPrefix(b.Value, strings.TrimSpace(i.sum)) && !(i.sum == "" && b.Value == "none") {
		j.fault(b.Sure, "check: %s", b.Value)
	}
	if b := result.Of(Talk); b.Sure == Certain && strings.HasPrefix(b.Value, "streams") != i.stream {
		j.fault(b.Sure, "talk: %s", b.Value)
	}
	// Values of all magnitudes, both ways.
	var values []decimal.Decimal
	for n := range 30 {
		v := decimal.NewFromFloat(i.capacity * []float64{0.001, 0.01, 0.05, 0.3, 1}[n%5] * (0.5 + r.Float64()/2)).Round(i.decimals)
		if n%3 == 2 && v.Sign() != 0 {
			v = v.Neg()
		}
		values = append(values, v)
	}
	var frames [][]byte
	for _, v := range values {
		frames = append(frames, i.frame(r, v, i.usual()))
	}
	sign, number, unit, framing := result.Of(Sign), result.Of(Number), result.Of(Unit), result.Of(Framing)
	// One more in front: the profile may leave the first out.
	for n, got := range reads(p, r, i.line, p.Line, append([][]byte{i.frame(r, values[4], i.usual())}, frames...))[1:] {
		v := values[n]
		switch {
		case got.ok && !got.q.Value.Equal(v) && v.Sign() < 0:
			j.fault(max(sign.Sure, number.Sure), "%q read as %s", frames[n], got.q)
		case got.ok && !got.q.Value.Equal(v):
			j.fault(number.Sure, "%q read as %s", frames[n], got.q)
		case got.ok && got.q.Unit != i.unit:
			j.fault(unit.Sure, "%q read as %s", frames[n], got.q)
		case got.ok && got.raw != string(frames[n]) && i.framing != "silence":
			j.fault(framing.Sure, "%q cut as %q", frames[n], got.raw)
		case got.ok && len(got.status) > 0:
			j.fault(NotTold, "%q has status %v", frames[n], got.status)
		case !got.ok && !shown[v.Sign()] && sign.Sure == NotTold:
			j.unsure = true
		case !got.ok && v.Sign() < 0:
			j.fault(sign.Sure, "%q not read", frames[n])
		case !got.ok:
			j.fault(number.Sure, "%q not read", frames[n])
		}
	}
	// Damaged frames are no readings, unless the instrument could have sent them.
	var damaged [][]byte
	var whole []decimal.Decimal
	for n, raw := range frames {
		at := 1 + r.IntN(len(raw)-1)
		for _, d := range [][]byte{
			raw[at:],
			append(append([]byte{}, raw[:at-1]...), raw[at:]...),
			append(append(append([]byte{}, raw[:at-1]...), raw[at-1]^1<<r.IntN(7)), raw[at:]...),
			append(append([]byte{}, raw[:at]...), i.end...),
		} {
			if !i.valid(d) {
				damaged, whole = append(damaged, d), append(whole, values[n])
			}
		}
	}
	for n, raw := range damaged {
		// Each alone, so that it does not spoil the next.
		got := reads(p, r, i.line, p.Line, [][]byte{frames[0], raw})[1]
		if got.ok && len(got.status) == 0 && (!got.q.Value.Equal(whole[n]) || got.q.Unit != i.unit) {
			b := number.Sure
			if d := result.Of(Damage); d.Sure == NotTold {
				b = NotTold
			}
			j.fault(b, "damaged %q read as %s", raw, got.q)
		}
	}
	// A status that says something never becomes an ordinary reading.
	for _, status := range i.status[min(1, len(i.status)):] {
		raw := i.frame(r, values[3], status)
		if got := reads(p, r, i.line, p.Line, [][]byte{frames[0], raw})[1]; got.ok && len(got.status) == 0 {
			j.fault(result.Of(Columns).Sure, "%q with status %s read as %s", raw, status, got.q)
		}
	}
	j.right = len(j.wrong) == 0
	return j
}

func newSession(i *instrument, r *rand.Rand) *session {
	s := &session{instrument: i, random: r}
	for range 3 {
		s.targets = append(s.targets, i.capacity*(0.08+0.8*r.Float64()))
	}
	return s
}

// Instruments of all styles are learnt from five pulls each, at whatever setting
// their line has. The profile is judged by fresh frames of the same instrument.
func TestLearnsInventedInstruments(t *testing.T) {
	const seed = 20261125
	many := 600
	if testing.Short() {
		many = 100
	}
	right, unsure, certainWrong, certain, extra := 0, 0, 0, 0, 0
	guesser := NewGuesser()
	byStyle := map[string][2]int{}
	for n := range uint64(many) {
		r := rand.New(rand.NewPCG(seed, n))
		i := invent(r)
		heard, tries := newSession(i, r).listen(guesser)
		result := Learn(heard, Options{})
		j := judge(i, r, result)
		extra += tries
		count := byStyle[i.number.name]
		count[1]++
		if j.right {
			right++
			count[0]++
			unsure += boolInt(j.unsure)
		} else {
			t.Logf("%d: %s\n   %d wrong: %s", n, i.describe(), len(j.wrong), j.wrong[0])
		}
		byStyle[i.number.name] = count
		if result.Of(Number).Sure == Certain {
			certain++
		}
		if len(j.certain) > 0 {
			certainWrong++
			t.Logf("%d: CERTAIN AND WRONG: %s\n%s", n, j.certain[0], result.Profile)
		}
	}
	for style, count := range byStyle {
		t.Logf("%-28s %3d of %3d", style, count[0], count[1])
	}
	t.Logf("wholly right: %d of %d (%.1f %%), %d of them without the other sign being told; number certain: %d; certain and wrong: %d; pulls to find the line: %.2f",
		right, many, 100*float64(right)/float64(many), unsure, certain, certainWrong, float64(extra)/float64(many))
	require.Zero(t, certainWrong)
	require.GreaterOrEqual(t, float64(right)/float64(many), 0.95)
}
