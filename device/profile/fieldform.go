package profile

import (
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"time"

	"paintmark/calc/quantity"
)

// fieldsForm are the tables [field.…].
type fieldsForm struct {
	Value    *fieldForm `toml:"value"`
	Sign     *fieldForm `toml:"sign"`
	Point    *fieldForm `toml:"point"`
	Unit     *fieldForm `toml:"unit"`
	Angle    *fieldForm `toml:"angle"`
	Sequence *fieldForm `toml:"sequence"`
	Channel  *fieldForm `toml:"channel"`
	Status   *fieldForm `toml:"status"`
	Status2  *fieldForm `toml:"status2"`
	Status3  *fieldForm `toml:"status3"`
	Status4  *fieldForm `toml:"status4"`
}

type fieldForm struct {
	At       int               `toml:"at"`
	Length   int               `toml:"length"`
	Type     string            `toml:"type"`
	Order    string            `toml:"order"`
	Words    string            `toml:"words"`
	Mask     int64             `toml:"mask"`
	Decimals int32             `toml:"decimals"`
	Scale    string            `toml:"scale"`
	Modulo   int64             `toml:"modulo"`
	Means    map[string]string `toml:"means"`
	Bits     map[string]string `toml:"bits"`
}

// fieldNames are the names of fields, and of a pattern's groups.
var fieldNames = []string{"value", "unit", "status", "angle", "sign", "point", "sequence", "channel", "status2", "status3", "status4"}

func (f *fieldsForm) named(name string) *fieldForm {
	return map[string]*fieldForm{
		"value": f.Value, "sign": f.Sign, "point": f.Point, "unit": f.Unit, "angle": f.Angle, "sequence": f.Sequence,
		"channel": f.Channel, "status": f.Status, "status2": f.Status2, "status3": f.Status3, "status4": f.Status4,
	}[name]
}

// onlyFor are the keys that mean something for some fields alone.
var onlyFor = map[string][]string{
	"decimals": {"value", "angle"},
	"scale":    {"value", "angle"},
	"modulo":   {"sequence"},
	"means":    {"unit", "status", "status2", "status3", "status4", "sign", "point", "channel"},
	"bits":     {"status", "status2", "status3", "status4"},
}

// field takes the field of that name, nil where the file has none.
func (r reader) field(name string, form readingForm, d *reading) *field {
	path := "field." + name
	ff := r.fields.named(name)
	f := &field{group: -1}
	if d.pattern != nil {
		f.group = d.pattern.SubexpIndex(name)
	}
	switch {
	case ff == nil && f.group < 0:
		return nil
	case d.byPattern && f.group < 0:
		r.file.Fault(path, fmt.Sprintf("the pattern has no group named %q", name), fmt.Sprintf("write (?P<%s>…) where it stands, or drop the table", name))
		return nil
	case ff == nil:
		ff = &fieldForm{}
	}
	f.kind = fieldType(max(0, slices.Index(fieldTypes, r.word(path+".type", ff.Type, fieldTypes...))))
	f.little = r.word(path+".order", ff.Order, "big", "little") == "little"
	f.swapped = r.word(path+".words", ff.Words, "plain", "swapped") == "swapped"
	for _, key := range []string{"decimals", "scale", "modulo", "means", "bits"} {
		if r.file.Has(path+"."+key) && !slices.Contains(onlyFor[key], name) {
			r.file.Fault(path+"."+key, fmt.Sprintf("%q means nothing for the %s", key, name), "it is for "+strings.Join(onlyFor[key], ", "))
		}
	}
	if d.byPattern {
		r.inPattern(path, f)
	} else {
		r.inFrame(path, ff, f, d.length)
	}
	for _, key := range []string{"order", "words"} {
		if r.file.Has(path+"."+key) && (f.kind == asText || f.kind == asHex) {
			r.file.Fault(path+"."+key, fmt.Sprintf("%q means nothing for the type %q", key, fieldTypes[f.kind]), "digits stand in the order in which they are read")
		}
	}
	r.mask(path, ff, f)
	r.figure(path, ff, f)
	r.kindFits(path, name, f)
	r.means(path, name, ff, form, f)
	r.bits(path, ff, f)
	if f.modulo = uint64(ff.Modulo); r.file.Has(path+".modulo") && ff.Modulo < 2 {
		r.file.Fault(path+".modulo", fmt.Sprintf("a counter that begins again at %d cannot be", ff.Modulo), "it is 256 for one byte")
	}
	return f
}

// kindFits checks that a field of that name can be of its type.
func (r reader) kindFits(path, name string, f *field) {
	switch name {
	case "value", "angle":
		return
	case "sequence", "point":
		if f.kind == asBCD || f.kind == asUnsigned || f.kind == asHex || f.kind == asText {
			return
		}
		r.file.Fault(path+".type", fmt.Sprintf("%q is no type for a count", fieldTypes[f.kind]), `it is one of text, hex, unsigned, bcd`)
	default:
		if f.kind == asUnsigned || f.kind == asHex || f.kind == asText {
			return
		}
		r.file.Fault(path+".type", fmt.Sprintf("%q is no type for a code", fieldTypes[f.kind]), `it is one of text, hex, unsigned`)
	}
}

func (r reader) inPattern(path string, f *field) {
	for _, key := range []string{"at", "length"} {
		if r.file.Has(path + "." + key) {
			r.file.Fault(path+"."+key, fmt.Sprintf("%q means nothing here: the pattern says where", key), `drop it, or write kind = "fields"`)
		}
	}
	if f.kind > asHex {
		r.file.Fault(path+".type", fmt.Sprintf("a pattern finds no %q", fieldTypes[f.kind]), `write type = "text" or "hex", or kind = "fields"`)
	}
}

// lengths are those that each type may have, in bytes.
var lengths = map[fieldType][2]int{
	asText: {1, 64}, asHex: {1, 16}, asUnsigned: {1, 8}, asSigned: {1, 8}, asMagnitude: {1, 8}, asBCD: {1, 8}, asFloat: {4, 8}, asDecimalFloat: {2, 4},
}

func (r reader) inFrame(path string, ff *fieldForm, f *field, whole int) {
	f.at, f.length = ff.At, ff.Length
	if !r.file.Has(path + ".at") {
		r.file.Fault(path, "where does it stand?", `add at = 0, say: its first byte, counted from 0`)
	}
	bounds := lengths[f.kind]
	odd := (f.kind == asFloat || f.kind == asDecimalFloat) && f.length != bounds[0] && f.length != bounds[1]
	if f.length < bounds[0] || f.length > bounds[1] || odd {
		between := "to"
		if odd {
			between = "or"
		}
		r.file.Fault(path+".length", fmt.Sprintf("a field of %d bytes of type %q cannot be", f.length, fieldTypes[f.kind]), fmt.Sprintf("it has %d %s %d", bounds[0], between, bounds[1]))
		f.length = bounds[0]
	}
	if from := place(f.at, whole); whole > 0 && (from < 0 || from > whole-f.length) {
		r.file.Fault(path+".at", fmt.Sprintf("%d bytes from %d do not lie in a frame of %d", f.length, f.at, whole), "count from 0, or backwards from the end with -1")
		f.at = 0
	}
	if f.swapped && f.length%2 != 0 {
		r.file.Fault(path+".words", fmt.Sprintf("%d bytes are no 16-bit words", f.length), "")
		f.swapped = false
	}
}

func (r reader) mask(path string, ff *fieldForm, f *field) {
	if !r.file.Has(path + ".mask") {
		return
	}
	f.mask = uint64(ff.Mask)
	switch {
	case !f.kind.integer():
		r.file.Fault(path+".mask", fmt.Sprintf("a mask means nothing for the type %q", fieldTypes[f.kind]), "it is for hex, unsigned, signed and magnitude")
	case ff.Mask < 0:
		r.file.Fault(path+".mask", fmt.Sprintf("%d is no mask", ff.Mask), "write mask = 0x80 for the highest bit of a byte, say")
	case f.mask == 0:
		r.file.Fault(path+".mask", "no bit is left by the mask", "write mask = 0x80 for the highest bit of a byte, say")
	case f.group < 0 && bits.Len64(f.mask) > f.width():
		r.file.Fault(path+".mask", fmt.Sprintf("the mask has bits beyond the %d of the field", f.width()), "")
	}
}

// width is how many bits an integer of fixed length has, before its mask.
func (f *field) width() int {
	if f.kind == asHex {
		return 4 * f.length
	}
	return 8 * f.length
}

// figure takes what makes a number of another one.
func (r reader) figure(path string, ff *fieldForm, f *field) {
	if f.decimals = ff.Decimals; f.decimals < -mostDecimals || f.decimals > mostDecimals {
		r.file.Fault(path+".decimals", fmt.Sprintf("%d decimals cannot be", f.decimals), fmt.Sprintf("it lies between %d and %d", -mostDecimals, mostDecimals))
		f.decimals = 0
	}
	if !r.file.Has(path + ".scale") {
		return
	}
	if n, err := parseNumber([]byte(ff.Scale), false); err != nil || n.decimal().IsZero() {
		r.file.Fault(path+".scale", fmt.Sprintf("%q is no scale", ff.Scale), `write a decimal, as in scale = "0.25"`)
	} else {
		f.scale = &n
	}
}

// means takes what the field's texts or numbers stand for.
func (r reader) means(path, name string, ff *fieldForm, form readingForm, f *field) {
	table, at := ff.Means, path+".means"
	short := map[string]map[string]string{"unit": form.Units, "status": form.Status}[name]
	if short != nil {
		if table != nil {
			r.file.Fault(at, "said twice: in [reading] as well", "drop one of the two")
		}
		table, at = short, map[string]string{"unit": "reading.units", "status": "reading.status"}[name]
	}
	if table == nil {
		if name == "channel" {
			r.file.Fault(path, "nothing says which channel is which", `add a table [`+path+`.means], as in T = "value" and A = "angle"`)
		}
		if name == "unit" && f.kind != asText {
			r.file.Fault(path, "nothing says which number is which unit", `add a table [`+path+`.means], as in 0 = "N·m" and 1 = "lbf·ft"`)
		}
		return
	}
	for code, what := range table {
		m, at := meaning{}, at+"."+code
		switch name {
		case "unit":
			m.unit = r.unit(at, what)
		case "sign":
			m.minus = r.word(at, what, "+", "-") == "-"
		case "channel":
			m.angle = r.word(at, what, "value", "angle") == "angle"
		case "point":
			n, err := strconv.ParseUint(what, 10, 8)
			if err != nil || n > mostDecimals {
				r.file.Fault(at, fmt.Sprintf("%q is no number of decimals", what), `write it as in "1" = "2"`)
			}
			m.places = int32(n)
		default:
			m.word = what
		}
		if f.kind == asText {
			if f.texts == nil {
				f.texts = make(map[string]meaning, len(table))
			}
			key := string(trim([]byte(code)))
			if _, twice := f.texts[key]; twice {
				r.file.Fault(at, fmt.Sprintf("%q is said twice", key), "blanks around a text do not count")
			}
			f.texts[key] = m
			continue
		}
		v, err := parseCode(code)
		if err != nil {
			r.file.Fault(at, fmt.Sprintf("%q is no number, and the field is one", code), `write it as in "1" or "0x0A"`)
			continue
		}
		if f.codes == nil {
			f.codes = make(map[uint64]meaning, len(table))
		}
		if _, twice := f.codes[v]; twice {
			r.file.Fault(at, fmt.Sprintf("%d is said twice", v), "")
		}
		f.codes[v] = m
	}
}

// parseCode reads a number as the keys of a table are written: decimal, leading
// zeros and all, or hexadecimal behind 0x.
func parseCode(text string) (uint64, error) {
	if digits, ok := strings.CutPrefix(strings.ToLower(text), "0x"); ok {
		return strconv.ParseUint(digits, 16, 64)
	}
	return strconv.ParseUint(text, 10, 64)
}

func (r reader) bits(path string, ff *fieldForm, f *field) {
	if ff.Bits == nil {
		return
	}
	if !f.kind.integer() {
		r.file.Fault(path+".bits", fmt.Sprintf("the type %q has no bits", fieldTypes[f.kind]), "it is for hex and unsigned")
	}
	if f.texts != nil || f.codes != nil {
		r.file.Fault(path+".bits", "bits and means at once", "drop one of the two: bits are flags, means are codes")
	}
	f.bits = make(map[int]string, len(ff.Bits))
	for name, word := range ff.Bits {
		n, err := parseCode(name)
		bit := int(min(n, 64))
		_, twice := f.bits[bit]
		switch {
		case err != nil || bit > 63 || f.group < 0 && bit >= f.width():
			r.file.Fault(path+".bits."+name, fmt.Sprintf("%q is no bit of it", name), "the lowest is 0")
		case twice:
			r.file.Fault(path+".bits."+name, fmt.Sprintf("bit %d is said twice", bit), "")
		default:
			f.bits[bit] = word
		}
	}
}

func (r reader) reading(form readingForm, registers int) reading {
	kind := r.word("reading.kind", form.Kind, "pattern", "fields")
	d := reading{
		byPattern: kind != "fields",
		comma:     r.word("reading.decimal", form.Decimal, "point", "comma") == "comma",
		angleUnit: quantity.Degree,
	}
	if d.byPattern && registers > 0 {
		r.file.Fault("reading", "registers are read by fields", `add kind = "fields" to [reading]`)
	}
	if d.byPattern {
		r.patterned(&d, form)
	} else {
		r.placed(&d, form, registers)
	}
	if r.file.Has("reading.ignore") {
		d.ignore = r.pattern("reading.ignore", form.Ignore)
	}
	if !d.byPattern || d.pattern != nil {
		r.allFields(&d, form)
	}
	if r.file.Has("reading.unit") {
		d.fixed = r.unit("reading.unit", form.Unit)
	}
	if r.file.Has("reading.angle_unit") {
		d.angleUnit = r.unit("reading.angle_unit", form.AngleUnit)
		if d.angleUnit.Known() && d.angleUnit.Dimension() != quantity.Angle {
			r.file.Fault("reading.angle_unit", fmt.Sprintf("%q is no unit of angle", form.AngleUnit), `write "deg" or "turn"`)
		}
	}
	r.pairs(&d, form)
	return d
}

// patterned takes a reading by pattern.
func (r reader) patterned(d *reading, form readingForm) {
	d.pattern = r.pattern("reading.pattern", form.Pattern)
	if form.Pattern == "" {
		r.file.Fault("reading.pattern", `"pattern" is missing or empty`, `add pattern = '…' to [reading], with a group (?P<value>…)`)
	}
	if r.file.Has("reading.length") {
		r.file.Fault("reading.length", `"length" means nothing where the reading is by pattern`, `it is for kind = "fields"`)
	}
	if d.pattern != nil {
		r.groups(d)
		d.matcher = newMatcher(d.pattern)
	}
}

// placed takes a reading by places in a frame, of registers where there are any.
func (r reader) placed(d *reading, form readingForm, registers int) {
	d.length = form.Length
	if r.file.Has("reading.pattern") {
		r.file.Fault("reading.pattern", `"pattern" means nothing where the reading is by fields`, `drop it, or write kind = "pattern"`)
	}
	if registers > 0 && !r.file.Has("reading.length") {
		d.length = 2 * registers
	}
	switch {
	case registers > 0 && d.length != 2*registers:
		r.file.Fault("reading.length", fmt.Sprintf("%d registers are %d bytes", registers, 2*registers), "it may be left out")
	case d.length < 1 || d.length > MaxFrame:
		r.file.Fault("reading.length", fmt.Sprintf("a frame of %d bytes cannot be", d.length), "add length = 12, say: how many bytes stand between the frame's ends")
		d.length = 0
	}
}

func (r reader) allFields(d *reading, form readingForm) {
	d.value = r.field("value", form, d)
	d.sign = r.field("sign", form, d)
	d.point = r.field("point", form, d)
	d.unit = r.field("unit", form, d)
	d.angle = r.field("angle", form, d)
	d.sequence = r.field("sequence", form, d)
	d.channel = r.field("channel", form, d)
	for _, name := range []string{"status", "status2", "status3", "status4"} {
		f := r.field(name, form, d)
		if f == nil {
			continue
		}
		if f.texts == nil && f.codes == nil && f.bits == nil {
			problem, path := "nothing says what the status means", "field."+name
			if d.byPattern {
				problem, path = "the pattern has a group for the status, and nothing says what its texts mean", "reading.pattern"
			}
			r.file.Fault(path, problem, `add a table [reading.status], as in OK = "" and OL = "overload"`)
		}
		d.status = append(d.status, f)
	}
	if d.value == nil {
		path, problem, hint := "reading.pattern", "the pattern has no group for the value", `write (?P<value>[+-]?\d+\.\d+) where the number stands`
		if !d.byPattern {
			path, problem, hint = "reading", "no field is the value", "add a table [field.value] with at, length and type"
		}
		r.file.Fault(path, problem, hint)
	}
	if d.unit == nil && len(form.Units) > 0 {
		r.file.Fault("reading.units", "the "+d.where()+" has no "+d.what()+" for the unit", d.hintField("unit"))
	}
	if !r.has("status", d) && len(form.Status) > 0 {
		r.file.Fault("reading.status", "the "+d.where()+" has no "+d.what()+" for the status", d.hintField("status"))
	}
	if d.angle == nil && d.channel == nil && r.file.Has("reading.angle_unit") {
		r.file.Fault("reading.angle_unit", "the "+d.where()+" has no "+d.what()+" for the angle", d.hintField("angle"))
	}
}

// has tells whether a field of that name is there.
func (r reader) has(name string, d *reading) bool {
	return r.fields.named(name) != nil || d.pattern != nil && d.pattern.SubexpIndex(name) >= 0
}

func (d *reading) where() string {
	if d.byPattern {
		return "pattern"
	}
	return "frame"
}

func (d *reading) what() string {
	if d.byPattern {
		return "group"
	}
	return "field"
}

func (d *reading) hintField(name string) string {
	if d.byPattern {
		return fmt.Sprintf("write (?P<%s>…) where the %s stands, or drop the table", name, name)
	}
	return fmt.Sprintf("add a table [field.%s] with at and length, or drop this one", name)
}

// Bounds of how long one half of a pair waits for the other.
const (
	leastPair = time.Millisecond
	mostPair  = 10 * time.Second
)

// pairs takes how torque and angle of alternating frames belong together.
func (r reader) pairs(d *reading, form readingForm) {
	if d.channel == nil {
		for _, key := range []string{"pair_within", "pair_first"} {
			if r.file.Has("reading." + key) {
				r.file.Fault("reading."+key, fmt.Sprintf("%q means nothing without a channel", key), "the field channel says whether a frame is torque or angle")
			}
		}
		return
	}
	d.angleFirst = r.word("reading.pair_first", form.PairFirst, "value", "angle") == "angle"
	d.pairWithin = r.duration("reading.pair_within", form.PairWithin, leastPair, mostPair, "time to wait", "100 ms")
}

// duration takes a time such as "20 ms".
func (r reader) duration(path, text string, least, most time.Duration, what, example string) time.Duration {
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err != nil || d < least || d > most {
		_, key, _ := strings.Cut(path, ".")
		r.file.Fault(path, fmt.Sprintf("%q is no %s", text, what), fmt.Sprintf("write it as in %s = %q, between %v and %v", key, example, least, most))
		return least
	}
	return d
}
