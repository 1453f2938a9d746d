// Package quantity is what was measured: an exact decimal value, its unit and
// the text it was read from.
//
// Values are decimals of any size a person or an instrument writes, never
// binary floating point, so that "88.0" stays 88.0 and a reading that lies
// exactly on a limit is inside it. Every unit is tied to the base unit of its
// dimension (newton metre, degree, millimetre) by a factor that is a finite
// decimal by definition, so [Quantity.Cmp] across units is exact too. Only
// [Quantity.In] can round, because one newton metre is no finite number of
// pound-force feet, and it says to how many digits.
//
// The zero Quantity is no quantity at all: [Quantity.IsZero] tells it from a
// measured zero.
package quantity
