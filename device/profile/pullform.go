package profile

import (
	"fmt"
	"time"

	"paintmark/calc/quantity"
	"paintmark/device/pull"
)

// pullForm is the table [pull].
type pullForm struct {
	Begin float64           `toml:"begin"`
	Least quantity.Quantity `toml:"least"`
	Let   float64           `toml:"let_go"`
	Hold  string            `toml:"hold"`
	Pause string            `toml:"pause"`
	Bump  string            `toml:"bump"`
}

// pull takes how a stream of torque is cut into pulls; nil where the file has no
// such table, and each frame is a reading.
func (r reader) pull(form pullForm) *pull.Settings {
	if !r.file.Has("pull") {
		return nil
	}
	s := &pull.Settings{Least: form.Least}
	for _, share := range []struct {
		key   string
		value float64
		to    *float64
	}{{"begin", form.Begin, &s.Begin}, {"let_go", form.Let, &s.Let}} {
		path := "pull." + share.key
		if !r.file.Has(path) {
			continue
		}
		if *share.to = share.value; !(share.value > 0 && share.value < 1) {
			r.file.Fault(path, fmt.Sprintf("%v is no share", share.value), "it lies between 0 and 1, as in 0.05")
		}
	}
	if r.file.Has("pull.least") && (form.Least.Dimension() != quantity.Torque || form.Least.Value.IsNegative()) {
		r.file.Fault("pull.least", fmt.Sprintf("%s is no torque", form.Least), `write it as in least = "3 N·m"`)
	}
	for _, t := range []struct {
		key, text, what, example string
		to                       *time.Duration
	}{
		{"hold", form.Hold, "time to have let go", "60 ms", &s.Hold},
		{"pause", form.Pause, "pause between two strokes", "1.5 s", &s.Pause},
		{"bump", form.Bump, "time of a bump", "120 ms", &s.Bump},
	} {
		if path := "pull." + t.key; r.file.Has(path) {
			*t.to = r.duration(path, t.text, time.Millisecond, time.Minute, t.what, t.example)
		}
	}
	return s
}
