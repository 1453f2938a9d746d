package plan

import (
	"fmt"
	"strconv"
	"time"

	"paintmark/calc/quantity"
)

// WaitWords is a time as people write it, "45 s", "20 min", "2 h 5 min", cut
// short and never rounded up to a wait that was not kept.
func WaitWords(d time.Duration) string {
	switch {
	case d < 0:
		return "-" + WaitWords(-d)
	case d < time.Minute:
		return strconv.Itoa(int(d.Seconds())) + " s"
	case d < time.Hour:
		if s := int(d.Seconds()) % 60; s != 0 {
			return fmt.Sprintf("%d min %d s", int(d.Minutes()), s)
		}
		return strconv.Itoa(int(d.Minutes())) + " min"
	default:
		if m := int(d.Minutes()) % 60; m != 0 {
			return fmt.Sprintf("%d h %d min", int(d.Hours()), m)
		}
		return strconv.Itoa(int(d.Hours())) + " h"
	}
}

// CycleWords is a number of heat cycles in words.
func CycleWords(n int) string {
	if n == 1 {
		return "1 heat cycle"
	}
	return fmt.Sprintf("%d heat cycles", n)
}

// TargetWords is what is to be done to a bolt in a pass: "88 N·m", "turn 90°",
// "stretch 0.150 mm".
func TargetWords(target quantity.Quantity) string {
	switch target.Dimension() {
	case quantity.Angle:
		return "turn " + target.String()
	case quantity.Length:
		return "stretch " + target.String()
	default:
		return target.String()
	}
}
