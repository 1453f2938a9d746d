package learn

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/device"
	"paintmark/device/profile"
)

// pulls are frames, each of a pull of its own, and what was shown: "frame = shown".
func pulls(list ...string) (heard []Heard) {
	for n, text := range list {
		raw, value, _ := strings.Cut(text, " = ")
		heard = append(heard, Heard{
			Line: device.DefaultSettings(), Shown: []string{value},
			Chunks: []Chunk{{time.Duration(n) * 5 * time.Second, []byte(raw)}},
		})
	}
	return heard
}

// Parts of frames that the random instruments do not have, and what must be made
// of frames that were not shown.
func TestParts(t *testing.T) {
	for _, c := range []struct {
		name  string
		heard []Heard
		fresh map[string]string // frame to reading; "" for none
	}{
		{"the unit as a code, of two units", pulls("0088.4,0\r = 88.4 Nm", "0065.2,1\r = 65.2 ft-lb", "0012.7,0\r = 12.7 Nm", "0099.9,1\r = 99.9 lbf·ft", "0101.3,0\r = 101.3 Nm"),
			map[string]string{"0120.0,0\r": "120.0 N·m", "0120.0,1\r": "120.0 lbf·ft", "0120.0,2\r": ""}},
		{"the unit before the number", pulls("Nm 0088.4\r\n = 88.4 Nm", "Nm 0065.2\r\n = 65.2 Nm", "Nm 0112.7\r\n = 112.7 Nm"),
			map[string]string{"Nm 1250.0\r\n": "1250.0 N·m", "mm 1250.0\r\n": "", "m 1250.0\r\n": ""}},
		{"the sign in a part of its own", pulls("S0 V03216 mm\n = 3.216 mm", "S1 V03109 mm\n = -3.109", "S0 V00127 mm\n = 0.127", "S1 V12345 mm\n = -12.345", "S0 V07004 mm\n = 7.004"),
			map[string]string{"S1 V00500 mm\n": "-0.500 mm", "S0 V00500 mm\n": "0.500 mm", "S2 V00500 mm\n": ""}},
		{"the point in a part of its own", pulls("08840 2\r\n = 88.40 Nm", "01205 1\r\n = 120.5 Nm", "06517 2\r\n = 65.17 Nm", "02333 1\r\n = 233.3", "00999 2\r\n = 9.99"),
			map[string]string{"01234 1\r\n": "123.4 N·m", "01234 2\r\n": "12.34 N·m"}},
		{"the point floats among four digits", pulls("88.40Nm\r\n = 88.40 Nm", "120.5Nm\r\n = 120.5", "65.17Nm\r\n = 65.17", "9.993Nm\r\n = 9.993", "233.3Nm\r\n = 233.3"),
			map[string]string{"8.840Nm\r\n": "8.840 N·m", "188.4Nm\r\n": "188.4 N·m", "8.40Nm\r\n": ""}},
		{"a counter that touches the number", pulls("00120884\r\n = 88.4", "00131205\r\n = 120.5", "00140651\r\n = 65.1", "00150099\r\n = 9.9", "00162333\r\n = 233.3"),
			map[string]string{"00170500\r\n": "50.0", "0170500\r\n": ""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := Learn(c.heard, Options{})
			require.True(t, r.Reproduced(), "%s\n%s", r.Why, r.Profile)
			p, err := profile.Parse("learnt", []byte(r.Profile))
			require.NoError(t, err)
			for raw, want := range c.fresh {
				reader := p.NewReader()
				reader.Feed([]byte(raw), moment(0))
				got := ""
				for o, ok := reader.Next(); ok; o, ok = reader.Next() {
					if o.Err == nil {
						got = strings.TrimSpace(o.Sample.Value.Number() + " " + o.Sample.Value.Unit.String())
					}
				}
				require.Equal(t, want, got, "%q by\n%s", raw, r.Profile)
			}
		})
	}
}

// What was heard does not always tell; nothing is called certain then.
func TestIsNotCertain(t *testing.T) {
	for _, c := range []struct {
		name  string
		heard []Heard
		part  Part
		sure  Sure
	}{
		{"one pull", pulls("+0088.4 Nm\r\n = 88.4"), Number, Likely},
		{"the same value each time", pulls("+0088.4 Nm\r\n = 88.4", "+0088.4 Nm\r\n = 88.4", "+0088.4 Nm\r\n = 88.4", "+0088.4 Nm\r\n = 88.4"), Number, Likely},
		{"two numbers that are always equal", pulls("0088.4 0088.4\r\n = 88.4", "0065.2 0065.2\r\n = 65.2", "0012.7 0012.7\r\n = 12.7", "0099.1 0099.1\r\n = 99.1"), Number, Likely},
		{"no value was negative", pulls("0088.4 Nm\r\n = 88.4", "0065.2 Nm\r\n = 65.2", "0012.7 Nm\r\n = 12.7", "0099.1 Nm\r\n = 99.1"), Sign, NotTold},
		{"a value that was not heard", pulls("+0088.4\r\n = 88.4", "+0065.2\r\n = 65.2", "+0012.7\r\n = 12.8", "+0099.1\r\n = 99.1"), Number, Likely},
		{"no unit", pulls("+0088.4\r\n = 88.4", "+0065.2\r\n = 65.2", "+0012.7\r\n = 12.7"), Unit, NotTold},
		{"a unit that no frame says", pulls("+0088.4\r\n = 88.4 Nm", "+0065.2\r\n = 65.2 Nm", "+0012.7\r\n = 12.7 Nm"), Unit, Likely},
		{"a check of an unknown kind", pulls("+0088.4*1F\r\n = 88.4", "+0065.2*77\r\n = 65.2", "+0012.7*A0\r\n = 12.7", "+0099.1*3C\r\n = 99.1", "+0019.1*0C\r\n = 19.1"), Check, NotTold},
		{"eight bits without parity", pulls("+0088.4 Nm\r\n = 88.4", "+0065.2 Nm\r\n = 65.2", "+0012.7 Nm\r\n = 12.7", "+0099.1 Nm\r\n = 99.1"), Parity, Likely},
		{"frames that only silence ends", pulls("+0088.4 Nm = 88.4", "+0065.2 Nm = 65.2", "+0012.7 Nm = 12.7", "+0099.1 Nm = 99.1"), Framing, Likely},
	} {
		r := Learn(c.heard, Options{})
		require.NotEmpty(t, r.Profile, "%s: %s", c.name, r.Why)
		require.Equal(t, c.sure, r.Of(c.part).Sure, "%s: %+v", c.name, r.Of(c.part))
	}
}

// Seven bits and a parity bit, heard as eight bits without one.
func TestParityInTheEighthBit(t *testing.T) {
	var heard []Heard
	for n, v := range []string{"88.4", "65.2", "12.7", "99.1", "103.6"} {
		sent := device.Settings{Baud: 9600, DataBits: 7, Parity: "even", StopBits: "1"}
		w := &wire{}
		w.send(sent, []byte(strings.Repeat("0", 6-len(v))+v+" Nm\r\n"), func() float64 { return 0 })
		heard = append(heard, Heard{Line: device.DefaultSettings(), Shown: []string{v}, Chunks: []Chunk{{time.Duration(n) * time.Second, w.receive(device.DefaultSettings())}}})
	}
	require.Contains(t, string(heard[0].Chunks[0].Bytes), "\xb8\xb8.\xb4", "88.4 with even parity above it")
	r := Learn(heard, Options{})
	require.True(t, r.Reproduced(), r.Why)
	require.Equal(t, Belief{Parity, "7 bits, even parity, 1 stop bit", Certain, "heard with eight bits, the eighth was the even parity of the seven, always"}, r.Of(Parity))
	require.Contains(t, r.Profile, "data_bits = 7\nparity = \"even\"\n")
}

// What is made of nothing is nothing, with the reason.
func TestNothingIsMadeUp(t *testing.T) {
	require.Equal(t, "nothing was heard", learnWhy(nil))
	require.Equal(t, "nothing was heard", learnWhy([]Heard{{Shown: []string{"88.4"}}}))
	require.Contains(t, learnWhy(pulls("+0088.4\r\n = ")), "what the display showed was not told")
	require.Contains(t, learnWhy(pulls("+0088.4\r\n = 12.5")), "no number in them follows what the display showed")
	require.Contains(t, learnWhy(pulls("\xff\x80\xfe = 12.5")), "they are no text at any setting")
}

func learnWhy(heard []Heard) string { return Learn(heard, Options{}).Why }

func TestParseShown(t *testing.T) {
	for text, want := range map[string]string{
		"88.4 N·m": "88.4 N·m", " -3.216mm ": "-3.216 mm", "88,4 Nm": "88.4 N·m", "65 ft-lb": "65 lbf·ft", "-0.0005 in": "-0.0005 in",
	} {
		q, err := ParseShown(text)
		require.NoError(t, err, text)
		require.Equal(t, want, q.String())
	}
	for text, want := range map[string]string{
		"": "is no value", "Nm": "is no value", "88.4.1": "is no value", "1,234.5": "is no value", "88.4 apples": `unknown unit "apples"`,
	} {
		_, err := ParseShown(text)
		require.ErrorContains(t, err, want, text)
	}
}
