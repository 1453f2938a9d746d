// Package caution is what must be said where the program prints a target or a
// schedule, and on paper.
package caution

// Figures goes with every target and schedule.
const Figures = "The figures of the engine's maker and of the fasteners' makers come first; a plan only repeats them."

// All are the cautions in full, as they stand on the sheet.
func All() []string {
	return []string{
		Figures,
		"Bolts that are tightened into yield are used once.",
		"Turn the crankshaft by hand only, with the starter or the ignition disconnected, and keep clear of springs and turning parts.",
		"Wear eye protection.",
	}
}
