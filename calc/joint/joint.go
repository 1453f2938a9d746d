// Package joint is the arithmetic of a bolted joint: threads, torque and clamp
// load, stretch, and a wrench with an extension.
//
// Lengths are in millimetres, forces in newtons, torques in newton metres,
// stresses in newtons per square millimetre, angles in degrees. What comes out is
// an estimate: friction scatters, so the clamp load that belongs to a torque is
// known to a quarter or a third only, and the figures of the maker of engine and
// fastener come first.
package joint

import (
	"errors"
	"fmt"
	"math"
)

// A Thread is a screw thread of 60° in millimetres.
type Thread struct {
	Diameter, Pitch float64
	// minor and stress are how many pitches the minor diameter and the diameter of
	// the stress area lie below Diameter.
	minor, stress float64
}

// Metric is an ISO metric thread, such as 10 by 1.5:
//
//	d2 = d − 0.649519·P,  d3 = d − 1.226869·P,  As = π/4·(d − 0.9382·P)²
//
// It fails for a pitch that is not above zero or above a quarter of the diameter.
// Source: ISO 898-1.
func Metric(diameter, pitch float64) (Thread, error) {
	return newThread(diameter, pitch, 1.226869, 0.9382)
}

// Unified is a unified thread of a diameter in inches and threads per inch, such
// as 0.375 and 24:
//
//	d2 = D − 0.64951905/n,  dr = D − 1.299038/n,  At = π/4·(D − 0.9743/n)²
//
// It fails as Metric does. Source: Shigley, Mechanical Engineering Design, Table
// 8-2; the metric constant would be wrong here by over 1 %.
func Unified(diameter, perInch float64) (Thread, error) {
	const inch = 25.4
	return newThread(diameter*inch, inch/perInch, 1.299038, 0.9743)
}

func newThread(diameter, pitch, minor, stress float64) (Thread, error) {
	if !(diameter > 0 && pitch > 0 && pitch <= diameter/4) || math.IsInf(diameter, 0) {
		return Thread{}, fmt.Errorf("no thread has a diameter of %g mm and a pitch of %g mm", diameter, pitch)
	}
	return Thread{diameter, pitch, minor, stress}, nil
}

// PitchDiameter is d2.
func (t Thread) PitchDiameter() float64 { return t.Diameter - 0.64951905*t.Pitch }

// MinorDiameter is d3, that of the thread's root; for a unified thread dr.
func (t Thread) MinorDiameter() float64 { return t.Diameter - t.minor*t.Pitch }

// StressArea is the area that carries the tension, in square millimetres.
func (t Thread) StressArea() float64 { return circle(t.Diameter - t.stress*t.Pitch) }

func circle(d float64) float64 { return math.Pi / 4 * d * d }

// ShortTorque is the torque for a clamp load by the short form
//
//	T = K·d·F
//
// where K is the nut factor and d in millimetres. Source: Shigley, Eq. 8-27.
func ShortTorque(k, diameter, load float64) float64 { return k * diameter * load / 1000 }

// A Friction is what opposes the turning of a bolt.
type Friction struct {
	Thread, Head float64 // coefficients μt and μb
	// HeadDiameter is the mean diameter on which the head rubs, (dw + dh)/2.
	HeadDiameter float64
}

// cosFlank is the cosine of half the angle of the thread.
var cosFlank = math.Cos(math.Pi / 6)

// Arms are the parts of the torque per clamp load in millimetres: what stretches
// the bolt, what is lost in the thread, and what is lost under the head:
//
//	P/2π,  μt·d2/(2·cos 30°),  μb·Dkm/2
//
// Source: ISO 16047, VDI 2230.
func (f Friction) Arms(t Thread) (pitch, thread, head float64) {
	return t.Pitch / (2 * math.Pi), f.Thread * t.PitchDiameter() / (2 * cosFlank), f.Head * f.HeadDiameter / 2
}

// Torque is the torque for a clamp load by the long form
//
//	T = F·(P/2π + μt·d2/(2·cos 30°) + μb·Dkm/2)
//
// Source: ISO 16047, VDI 2230.
func (f Friction) Torque(t Thread, load float64) float64 {
	p, h, b := f.Arms(t)
	return load * (p + h + b) / 1000
}

// Load is the clamp load for a torque, by the same formula.
func (f Friction) Load(t Thread, torque float64) float64 {
	p, h, b := f.Arms(t)
	return torque * 1000 / (p + h + b)
}

// AssemblyPreload is the clamp load at which a bolt that is tightened by torque
// comes to a stress, a share of its yield strength, tension and torsion together:
//
//	F = σ·A0/√(1 + 3·(1.5·(d2/d0)·(P/(π·d2) + 1.155·μ))²),  d0 = (d2 + d3)/2,  A0 = π/4·d0²
//
// Source: VDI 2230 (the formula from memory; its tables agree).
func AssemblyPreload(t Thread, friction, stress float64) float64 {
	d2 := t.PitchDiameter()
	d0 := (d2 + t.MinorDiameter()) / 2
	torsion := 1.5 * d2 / d0 * (t.Pitch/(math.Pi*d2) + 1.155*friction)
	return stress * circle(d0) / math.Sqrt(1+3*torsion*torsion)
}

// A Section is a length of a bolt and its area, or a length of what it clamps.
type Section struct{ Length, Area float64 }

// Stiffness is the axial force per millimetre of sections in series, the modulus
// in newtons per square millimetre:
//
//	k = E/Σ(Li/Ai)
//
// Source: Shigley, Eq. 8-16 and 8-17.
func Stiffness(modulus float64, sections ...Section) float64 {
	sum := 0.0
	for _, s := range sections {
		sum += s.Length / s.Area
	}
	return modulus / sum
}

// Stretch is by how much a bolt grows under a load:
//
//	δ = F/E·Σ(Li/Ai)
//
// Source: as Stiffness. Below yield only.
func Stretch(load, modulus float64, sections ...Section) float64 {
	return load / Stiffness(modulus, sections...)
}

// LoadPerDegree is by how much the load grows with each degree of turn in the
// elastic zone, where bolt and clamped parts are springs in series:
//
//	dF/dθ = P/360·kb·kc/(kb + kc)
//
// Source: ASM Handbook vol. 8: beyond the elastic origin, tension is proportional
// to the angle.
func LoadPerDegree(t Thread, bolt, clamped float64) float64 {
	return t.Pitch / 360 * bolt * clamped / (bolt + clamped)
}

// ExtensionSetting is what a wrench must show so that the bolt gets a torque, with
// an extension at an angle to the wrench (0: away from the handle, 90: no change,
// 180: folded back):
//
//	Tw = Ta·L/(L + E·cos β)
//
// L is the length from the grip to the square, E that of the extension, in one
// unit. It fails where the extension reaches back to the grip or beyond. Source: US
// Army TM 1-1500-204-23-9, Fig. 8-16, which has β = 0.
func ExtensionSetting(torque, length, extension, angle float64) (float64, error) {
	arm := length + extension*math.Cos(angle*math.Pi/180)
	if angle == 90 || angle == -90 {
		arm = length // the cosine of a right angle is not quite 0 in floating point
	}
	if !(length > 0 && extension >= 0 && arm > 0) {
		return 0, errors.New("the extension leaves the wrench no arm to pull on")
	}
	return torque * length / arm, nil
}
