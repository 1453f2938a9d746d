package quantity

// Shown is v in unit u for people to read beside the limits: rounded to two
// decimals, or to as many as it takes to lie on the same side of the limits as
// v itself, nine at most. It fails where v or the limits measure something else.
func (l Limits) Shown(v Quantity, u Unit) (Quantity, error) {
	is, err := l.Place(v)
	if err != nil {
		return Quantity{}, err
	}
	for places := int32(2); ; places++ {
		c, err := v.In(u, places)
		if err != nil {
			return Quantity{}, err
		}
		if shown, err := l.Place(c); err != nil || shown == is || places == 9 {
			return c, err
		}
	}
}
