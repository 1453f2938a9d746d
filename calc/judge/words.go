package judge

import (
	"fmt"
	"slices"
	"strings"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
)

// number is a value as it was read, also one without a unit that is known.
func number(v quantity.Quantity) string {
	if !v.Unit.Known() {
		return v.Number() + " without a unit"
	}
	return v.String()
}

// inUnit is a value as it was read, and where that is another unit than the
// plan's, also in that: "85.0 N·m (62.7 lbf·ft)". It is written with as many
// decimals as show on which side of the limits it lies.
func inUnit(v quantity.Quantity, u quantity.Unit, l quantity.Limits) string {
	if v.Unit == u {
		return v.String()
	}
	place, err := l.Place(v)
	if err != nil {
		return number(v)
	}
	for places := int32(1); ; places++ {
		c, err := v.In(u, places)
		if err != nil {
			return number(v)
		}
		if shown, err := l.Place(c); err != nil || shown == place || places == 9 {
			return fmt.Sprintf("%s (%s)", v, c)
		}
	}
}

// allowed is limits as they are told. Where a tolerance in another unit than
// its target made endless digits, they are cut short.
func allowed(l quantity.Limits) string {
	return quantity.Limits{Least: rounded(l.Least), Most: rounded(l.Most)}.String()
}

func rounded(q quantity.Quantity) quantity.Quantity {
	if q.Decimals() <= 6 {
		return q
	}
	return quantity.New(q.Value.Round(3), q.Unit)
}

// said is what an instrument said of itself.
func said(status []string) string {
	return strings.Join(slices.DeleteFunc(slices.Clone(status), func(s string) bool { return strings.TrimSpace(s) == "" }), ", ")
}

// called is an instrument's name.
func called(i fact.Instrument) string {
	if i.Name == "" {
		return "an instrument without a name"
	}
	return i.Name
}

// ordinal is "1st", "2nd", "11th".
func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return fmt.Sprintf("%d%s", n, suffix)
}
