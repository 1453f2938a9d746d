package sheet

import (
	"fmt"
	"time"
)

// clock shows times in one zone. A time at which the zone had another offset
// than at the build's opening says so.
type clock struct {
	zone   *time.Location
	offset int
}

func newClock(zone *time.Location, opened time.Time) clock {
	if zone == nil {
		zone = time.UTC
	}
	_, offset := opened.In(zone).Zone()
	return clock{zone, offset}
}

const none = "–"

// full is "2026-03-02 14:03:22".
func (c clock) full(t time.Time) string {
	if t.IsZero() {
		return none
	}
	return c.day(t) + " " + c.time(t)
}

func (c clock) day(t time.Time) string { return t.In(c.zone).Format(time.DateOnly) }

// time is "14:03:22".
func (c clock) time(t time.Time) string {
	if t.IsZero() {
		return none
	}
	local := t.In(c.zone)
	if _, offset := local.Zone(); offset != c.offset {
		return local.Format(time.TimeOnly) + " " + offsetName(offset)
	}
	return local.Format(time.TimeOnly)
}

// name is what the zone is called, with its offset.
func (c clock) name() string {
	name := c.zone.String()
	if name == "UTC" || name == "Local" || name == "" {
		return offsetName(c.offset)
	}
	return name + " (" + offsetName(c.offset) + ")"
}

func offsetName(offset int) string {
	if offset == 0 {
		return "UTC"
	}
	sign := "+"
	if offset < 0 {
		sign, offset = "−", -offset
	}
	return fmt.Sprintf("UTC%s%02d:%02d", sign, offset/3600, offset/60%60)
}

// shortly is how the times of one table are shown: without the day if it is the
// same for all, and then the day.
func (c clock) shortly(times []time.Time) (show func(time.Time) string, day string) {
	for _, t := range times {
		if t.IsZero() {
			continue
		}
		switch d := c.day(t); day {
		case "", d:
			day = d
		default:
			return c.full, ""
		}
	}
	return c.time, day
}
