package main

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/quantity"
	"paintmark/device"
	"paintmark/device/profile"
)

func gaps(milliseconds ...int) (list []time.Duration) {
	for _, ms := range milliseconds {
		list = append(list, time.Duration(ms)*time.Millisecond)
	}
	slices.Sort(list)
	return list
}

func TestQuantile(t *testing.T) {
	ten := gaps(1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
	// By the formula: h = 9·p. A quarter of 1 to 10 by definition 7 is 3.25 (from memory).
	for p, want := range map[float64]time.Duration{
		0: 1000, 0.25: 3250, 0.5: 5500, 0.75: 7750, 1: 10000,
	} {
		require.Equal(t, want*time.Microsecond, quantile(ten, p), p)
	}
	require.Zero(t, quantile(nil, 0.5))
	require.Equal(t, 7*time.Millisecond, quantile(gaps(7), 0.75))
	// One wild value moves the median to its neighbour at most.
	require.Equal(t, quantile(gaps(20, 20, 20, 21, 21), 0.5), quantile(gaps(20, 20, 20, 21, 9_000_000), 0.5))
}

func TestStreams(t *testing.T) {
	for name, tc := range map[string]struct {
		gaps []time.Duration
		want bool
	}{
		"nothing":                        {nil, false},
		"two at once, then a pause":      {gaps(1, 4000), false},
		"fifty a second":                 {gaps(20, 20, 21, 19), true},
		"bursts with pauses":             {gaps(20, 20, 20, 20, 20, 60_000, 90_000), true},
		"one a second":                   {gaps(1000, 1001, 999, 1000, 1002, 1000, 998, 1000, 1001), true},
		"a few that happen to be even":   {gaps(3000, 3000, 3000, 3000), false},
		"pulls":                          {gaps(4100, 5300, 3900, 8700, 4400, 6100, 5000, 12_000, 4700), false},
		"pulls, with one sent twice":     {gaps(4100, 2, 5300, 3900, 8700), false},
		"a stream with one lost for 5 s": {gaps(100, 100, 101, 5000, 99, 100), true},
	} {
		require.Equal(t, tc.want, streams(tc.gaps), name)
	}
}

func TestReasonKind(t *testing.T) {
	for reason, want := range map[string]string{
		`"+00#4.1 \"Nm" does not match the pattern of profile p`:     "does not match the pattern of profile p",
		`"a long one"… does not match the pattern of profile p`:      "does not match the pattern of profile p",
		`"!1": the instrument says "not settled" and gives no value`: `the instrument says "not settled" and gives no value`,
		"check: want 30 got 31":                        "its check is wrong",
		`check: want 30 got "3g"`:                      "its check is wrong",
		"the frame with count 46 was sent again":       "the frame with count … was sent again",
		"the count stays at 7 while the frames change": "the count stays at … while the frames change",
		"an angle of -2.5° without its value":          "an angle of …° without its value",
		"a line of more than 64 bytes":                 "a line of more than 64 bytes",
		`412 pieces, 3090 bytes, within 4.9s made no reading; the first: check: want 1 got 2`: "its check is wrong",
	} {
		require.Equal(t, want, reasonKind(reason))
	}
}

// What a tally makes of a stream with all that can go wrong, by figures worked
// out by hand.
func TestTally(t *testing.T) {
	began := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	at := func(ms int) time.Time { return began.Add(time.Duration(ms) * time.Millisecond) }
	tally := newTally(nil, began)
	sampled := func(ms int, value string, status ...string) {
		tally.heard([]byte("0123456789"), at(ms))
		tally.event(device.Event{Kind: device.Sampled, Time: at(ms), Identity: "PM-7",
			Sample: device.Sample{Time: at(ms), Value: quantity.MustParse(value), Status: status}})
	}
	reject := func(r *profile.Rejection, pieces int) {
		tally.event(device.Event{Kind: device.Rejected, Raw: []byte("x"), Pieces: pieces,
			Err: &device.Error{Address: device.Address{Transport: "t", Place: "p"}, Err: r}})
	}
	for n := range 11 {
		sampled(20*n, fmt.Sprintf("%d.5 N·m", n))
	}
	sampled(300, "-3.25 N·m", "overload") // a gap of 100 ms
	reject(&profile.Rejection{Reason: "check: want 1 got 2", Hint: "noise"}, 0)
	reject(&profile.Rejection{Reason: "check: want 3 got 4"}, 0)
	reject(&profile.Rejection{Reason: "frames are missing: the count went from 3 to 6", Beside: 1, Missing: 2}, 0)
	reject(&profile.Rejection{Reason: "the count stays at 3 while the frames change", Beside: 1}, 0)
	tally.event(device.Event{Kind: device.Lost, Err: device.ErrLost})
	tally.event(device.Event{Kind: device.Lost, Err: device.ErrBusy})
	tally.event(device.Event{Kind: device.Found, Identity: "PM-7"})
	sampled(9000, "1 lbf·ft")                                             // an absence is no gap
	reject(&profile.Rejection{Reason: "junk", Beside: 2, Missing: 3}, 42) // many told as one

	r := tally.result(at(10_000))
	require.Equal(t, 13, r.Understood)
	require.Equal(t, 42, r.Rejected)
	require.Equal(t, []checkReason{
		{"junk", 42, []byte("x")}, {"its check is wrong", 2, []byte("x")}, {"the count stays at … while the frames change", 1, []byte("x")},
	}, r.Reasons)
	require.Equal(t, uint64(5), r.Missing)
	require.Equal(t, sendsStream, r.Sends)
	require.Equal(t, []any{0.02, 0.1, 50.0, 1, 13.0, 10.0}, []any{r.MedianGap, r.LongestGap, r.Rate, r.Pauses, r.ByteRate, r.Seconds})
	require.Equal(t, 1.0, *r.Age)
	require.Equal(t, 1, r.Losses)
	require.Equal(t, []checkStatus{{"overload", 1}}, r.Status)
	require.Len(t, r.Values, 2)
	require.Equal(t, "-3.25 to 10.5 N·m", r.Values[0].String())
	require.Equal(t, "1 lbf·ft", r.Values[1].String())
	require.Equal(t, "PM-7", r.Identity)
	require.Equal(t, "understood: 13 of 55 frames, and 5 missing by its own count; lost 1 time, and found again", r.Verdict)
	require.NoError(t, r.failure(device.Address{}))
}

func TestVerdictsOnNothing(t *testing.T) {
	address := device.Address{Transport: "serial", Place: "here"}
	began := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	silent := newTally(nil, began).result(began.Add(time.Minute))
	require.Equal(t, "nothing came", silent.Verdict)
	require.ErrorContains(t, silent.failure(address), "serial:here: nothing came")

	absent := newTally(nil, began)
	absent.event(device.Event{Kind: device.Lost, Err: &device.Error{Address: address, Err: device.ErrAbsent}})
	require.Equal(t, "it is not there", absent.result(began).Verdict)
	require.ErrorIs(t, absent.result(began).failure(address), device.ErrAbsent)

	strange := newTally(nil, began)
	strange.heard([]byte("12"), began)
	require.Equal(t, "2 bytes came, and nothing was understood", strange.result(began).Verdict)
	hint := func() string {
		var h interface{ HintText() string }
		require.True(t, errors.As(strange.result(began).failure(address), &h))
		return h.HintText()
	}
	require.Contains(t, hint(), "is its line, or its framing, another")
	strange.event(device.Event{Kind: device.Unfinished, Raw: []byte("12"), Err: &device.Error{Address: address, Err: errors.New("no end"), Hint: "another ending"}})
	require.Contains(t, hint(), "another ending\npaintmark listen")
	strange.event(device.Event{Kind: device.Rejected, Raw: []byte("12"), Err: &device.Error{Address: address, Err: &profile.Rejection{Reason: "no", Hint: "try another rate"}}})
	require.Contains(t, hint(), "try another rate\npaintmark listen serial:here")
}
