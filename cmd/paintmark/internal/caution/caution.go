// Package caution is what must be said where the program prints a target or a
// schedule, and on paper.
package caution

import "paintmark/calc/plan"

// Figures goes with every target and schedule.
const Figures = "The figures of the engine's maker and of the fasteners' makers come first; a plan only repeats them."

// Yield goes with every plan that has a stage by angle.
const Yield = "Many bolts that are tightened by angle are tightened into yield; such bolts are used once. Whether yours are, and through which angle, is for their maker to say."

// For is what must be said with the targets and schedules of a plan.
func For(p *plan.Plan) []string {
	if p.ByAngle() {
		return []string{Figures, Yield}
	}
	return []string{Figures}
}

// All are the cautions in full, as they stand on the sheet.
func All() []string {
	return []string{
		Figures,
		"Bolts that are tightened into yield are used once.",
		"Turn the crankshaft by hand only, with the starter or the ignition disconnected, and keep clear of springs and turning parts.",
		"Wear eye protection.",
	}
}
