// Package pull cuts the samples of a streaming wrench into strokes and pulls,
// while they come.
//
// A stroke is torque rising from nothing and falling back to it. A pull is what
// is done to one bolt before the wrench leaves it: one stroke, or several where
// it is ratcheted. No key says when it is over. It is over when the torque has
// let go after the aim was reached; or, short of the aim, when no further stroke
// follows within a pause. So the verdict on a good pull comes while the wrench
// is still on the bolt, and a ratchet may be swung back meanwhile.
//
//	torque        aim ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄╭╮
//	            ╭╮        ╭─╮          ╭──╯│
//	           ╭╯│      ╭─╯ │        ╭─╯   │
//	  ────────╯  ╰──────╯   ╰────────╯     ╰───────
//	  idle    │ stroke 1  │ stroke 2 │ stroke 3 │ over
//
// Where torque begins follows the aim and the noise: it is a share of the aim,
// and never less than a multiple of the noise, which is measured, as the drifting
// zero is, while nothing is pulled. What rises and is gone before a hand could
// have pulled it is a bump: a wrench laid down or knocked. Torque against the
// direction of tightening is loosening: it ends the pull before it, and is told as
// one of its own.
//
// Every sample of a pull is kept in a [trace.Trace], exactly as it came, with
// some from before it.
package pull

import (
	"fmt"
	"time"

	"paintmark/calc/quantity"
	"paintmark/calc/trace"
)

// A Sample is one torque, and the angle where the wrench gives it. All samples of
// a cutter have the same units.
type Sample struct {
	Time   time.Time
	Torque quantity.Quantity
	Angle  quantity.Quantity // zero where the wrench gives none
}

// An Aim is what the next pull is to reach; the zero Aim is not known. A pull
// that was begun keeps the aim it began with.
type Aim struct {
	// Torque is the least torque that reaches it, in the samples' unit.
	Torque float64
	// Angle is the least turn from the pull's beginning that reaches it, in the
	// samples' unit, where the stage is one of angle.
	Angle float64
	// Snug is the torque from which on a stroke's angle counts, in the samples'
	// unit: below it the wrench gives way, and the bolt stands. 0 counts it all.
	Snug float64
}

// Settings are how the cutter decides. The zero Settings is for real use; a field
// that is zero has its default. The shares and times are common practice, tried
// on simulated wrenches.
type Settings struct {
	// Begin is the share of the aim's torque at which a stroke begins: 0.05.
	Begin float64
	// Least is the torque below which a stroke never begins; none leaves it to
	// the aim and the noise.
	Least quantity.Quantity
	// Noises is how many standard deviations of the noise, or steps of the last
	// digit, a stroke rises above the zero at least: 8.
	Noises float64
	// Let is the share of its own peak below which a stroke has let go: 0.2.
	Let float64
	// Hold is how long the torque must have let go: 60 ms.
	Hold time.Duration
	// Pause is how long a pull that has not reached its aim waits for another
	// stroke: 1.5 s. A wrench is swung back faster than it is put on another bolt.
	Pause time.Duration
	// Bump is how long a stroke must last to be a pull: 120 ms.
	Bump time.Duration
	// Lead is how much is kept from before the pull: 300 ms.
	Lead time.Duration
	// Chunk is how much of a pull is told at a time: 200 ms.
	Chunk time.Duration
}

func (s Settings) filled() Settings {
	for _, f := range []struct {
		v   *float64
		def float64
	}{{&s.Begin, 0.05}, {&s.Noises, 8}, {&s.Let, 0.2}} {
		if *f.v == 0 {
			*f.v = f.def
		}
	}
	for _, f := range []struct {
		v   *time.Duration
		def time.Duration
	}{{&s.Hold, 60 * time.Millisecond}, {&s.Pause, 1500 * time.Millisecond}, {&s.Bump, 120 * time.Millisecond}, {&s.Lead, 300 * time.Millisecond}, {&s.Chunk, 200 * time.Millisecond}} {
		if *f.v == 0 {
			*f.v = f.def
		}
	}
	return s
}

// A Kind is what an Event tells.
type Kind uint8

// The kinds of event.
const (
	// Began: a pull has begun, and has lasted too long for a bump.
	Began Kind = iota + 1
	// Went: the pull goes on.
	Went
	// Over: the pull is over.
	Over
	// Bumped: what had begun was none.
	Bumped
)

// String is the kind's name in small letters.
func (k Kind) String() string {
	names := [...]string{Began: "began", Went: "went on", Over: "over", Bumped: "bumped"}
	if k == 0 || int(k) >= len(names) {
		return fmt.Sprintf("kind %d", k)
	}
	return names[k]
}

// An End is why a pull is over.
type End uint8

// The ends of a pull.
const (
	Reached  End = iota + 1 // the aim was reached and the torque has let go
	LetGo                   // the torque has let go short of the aim, and nothing followed
	Loosened                // it went against the direction of tightening
	Cut                     // the wrench went away or fell silent in mid-pull
	TooLong                 // it went on for longer than a pull can
)

// String is the end in words.
func (e End) String() string {
	names := [...]string{Reached: "reached", LetGo: "let go", Loosened: "loosened", Cut: "interrupted", TooLong: "too long"}
	if e == 0 || int(e) >= len(names) {
		return fmt.Sprintf("end %d", e)
	}
	return names[e]
}

// A Pull is one bolt's pull.
type Pull struct {
	Began, Ended time.Time
	End          End
	Strokes      []Stroke
	Trace        trace.Trace
	// Snug is the aim's.
	Snug float64
	// Zero is the torque that the wrench showed before, when nothing was pulled,
	// and Noise the standard deviation about it, in the samples' unit.
	Zero, Noise float64
}

// A Stroke is one of a pull: the samples [From, To) of its trace, and its highest.
type Stroke struct{ From, To, Peak int }

// Peak is the sample of the highest torque of all strokes.
func (p *Pull) Peak() int {
	best := p.Strokes[0].Peak
	for _, s := range p.Strokes[1:] {
		if p.Trace.Torque.Float(s.Peak) > p.Trace.Torque.Float(best) {
			best = s.Peak
		}
	}
	return best
}

// An Event is one thing a cutter tells, in the order in which it happened. Its
// pull is as far as it has come, and whole when it is over or was none; until
// then it goes on being written with the next sample.
type Event struct {
	Kind Kind
	Pull *Pull
}

// MostSamples bounds a pull: at a thousand samples a second, two minutes.
const MostSamples = 120_000
