// Package document reads the files that people write for this program: plans,
// profiles, the list of a shop's instruments. They are TOML, read strictly: a
// key that is not known is an error, and every error, also one found long
// after parsing, says in which line and column it stands and what to do.
//
// A reader decodes into a struct with [Decode], checks it, and reports what is
// wrong through [File.Fault], naming the value by its path in the file, as in
// "joint[0].stage[2].torque".
package document

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// MaxSize is the largest file that is read. A plan of a large engine has some
// 20 kB.
const MaxSize = 4 << 20

// A Fault is one thing wrong with a file. Line and Column are 1-based, the
// column counted in characters; both are 0 when the whole file is meant.
type Fault struct {
	File         string
	Line, Column int
	Problem      string
	Hint         string
}

// Error is "plan.toml:12:9: problem".
func (f *Fault) Error() string {
	if f.Line == 0 {
		return f.File + ": " + f.Problem
	}
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Problem)
}

// HintText is what to do about it; the command line prints it after the error.
func (f *Fault) HintText() string { return f.Hint }

// Faults are all that is wrong with a file, in the order of its lines.
type Faults []*Fault

func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, fault := range f {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the faults one by one.
func (f Faults) Unwrap() []error {
	list := make([]error, len(f))
	for i, fault := range f {
		list[i] = fault
	}
	return list
}

// A File is a decoded file that still knows where everything stands in it, and
// gathers what is found wrong with it.
type File struct {
	name   string
	text   []byte
	places map[string]int // path to offset of the value
	faults Faults
}

// Decode reads TOML text strictly into the struct that into points to. The
// name is for messages only. The returned error is of type Faults.
func Decode(name string, text []byte, into any) (*File, error) {
	f := &File{name: name, text: text, places: map[string]int{}}
	if len(text) > MaxSize {
		return nil, Faults{{File: name, Problem: fmt.Sprintf("%d bytes are more than the %d that are read", len(text), MaxSize)}}
	}
	if at := invalidUTF8(text); at >= 0 {
		line, column := f.lineColumn(at)
		return nil, Faults{{File: name, Line: line, Column: column, Problem: "not UTF-8 text", Hint: "save the file as UTF-8"}}
	}
	f.index(reflect.TypeOf(into))
	if err := f.Err(); err != nil {
		return nil, err
	}
	decoder := toml.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(into); err != nil {
		return nil, f.explain(err, reflect.TypeOf(into))
	}
	return f, nil
}

const hintKinds = `quantities and names are written in quotes, as in "88 N·m"; counts without`

func invalidUTF8(text []byte) int {
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}

// explain turns the library's errors into faults.
func (f *File) explain(err error, into reflect.Type) Faults {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var faults Faults
		for i := range strict.Errors {
			e := &strict.Errors[i]
			key := e.Key()
			known := knownKeys(into, key)
			faults = append(faults, f.faultAt(e, fmt.Sprintf("unknown key %q", strings.Join(key, ".")), suggestion(key[len(key)-1], known)))
		}
		return faults
	}
	var e *toml.DecodeError
	if errors.As(err, &e) {
		problem := strings.TrimPrefix(e.Error(), "toml: ")
		hint := ""
		if cause := errors.Unwrap(err); cause != nil && cause != error(e) {
			problem = strings.TrimPrefix(cause.Error(), "toml: ")
		}
		if kind, ok := strings.CutPrefix(problem, "cannot decode TOML "); ok {
			got, _, _ := strings.Cut(kind, " ")
			problem = fmt.Sprintf("a value of the wrong kind (%s)", got)
			if len(e.Key()) > 0 {
				problem = fmt.Sprintf("%q has a value of the wrong kind (%s)", strings.Join(e.Key(), "."), got)
			}
			hint = hintKinds
		}
		return Faults{f.faultAt(e, problem, hint)}
	}
	return Faults{{File: f.name, Problem: strings.TrimPrefix(err.Error(), "toml: ")}}
}

func (f *File) faultAt(e *toml.DecodeError, problem, hint string) *Fault {
	line, column := e.Position()
	return &Fault{File: f.name, Line: line, Column: f.characters(line, column), Problem: problem, Hint: hint}
}

// characters turns a column counted in bytes into one counted in characters.
func (f *File) characters(line, column int) int {
	lines := bytes.SplitN(f.text, []byte("\n"), line+1)
	if line < 1 || line > len(lines) {
		return column
	}
	return utf8.RuneCount(lines[line-1][:min(column-1, len(lines[line-1]))]) + 1
}

// Fault notes a problem with the value at path and goes on, so that a person
// sees all that is wrong at once. Where the value itself is not in the file,
// the nearest table around it is named.
func (f *File) Fault(path, problem, hint string) {
	fault := &Fault{File: f.name, Line: 1, Column: 1, Problem: problem, Hint: hint}
	for p := path; p != ""; p = parent(p) {
		if offset, ok := f.places[p]; ok {
			fault.Line, fault.Column = f.lineColumn(offset)
			break
		}
	}
	f.faults = append(f.faults, fault)
}

// Has tells whether the file itself gives the value at path.
func (f *File) Has(path string) bool {
	_, ok := f.places[path]
	return ok
}

// Err is what Fault was told, in the order of the lines, or nil.
func (f *File) Err() error {
	if len(f.faults) == 0 {
		return nil
	}
	slices.SortStableFunc(f.faults, func(a, b *Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return f.faults
}

func (f *File) lineColumn(offset int) (line, column int) {
	before := f.text[:offset]
	start := bytes.LastIndexByte(before, '\n') + 1
	return bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(before[start:]) + 1
}

// parent drops the last step of a path: "a[1].b" → "a[1]" → "a" → "".
func parent(path string) string {
	if strings.HasSuffix(path, "]") {
		return path[:strings.LastIndexByte(path, '[')]
	}
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		return path[:i]
	}
	return ""
}

// index notes where each value stands, as far as the syntax is right. Where a
// bare number stands for something that is read from text, it says so: the
// library would pass the number on and lose its place.
func (f *File) index(into reflect.Type) {
	var p unstable.Parser
	p.Reset(f.text)
	counts := map[string]int{} // array tables seen, by path
	table := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			path, offset := "", 0
			it := e.Key()
			for it.Next() {
				if path == "" {
					offset = int(it.Node().Raw.Offset)
				} else {
					path += "."
				}
				path += string(it.Node().Data)
				if n, ok := counts[path]; ok && !(e.Kind == unstable.ArrayTable && it.IsLast()) {
					path += "[" + strconv.Itoa(n-1) + "]"
				}
			}
			if e.Kind == unstable.ArrayTable {
				counts[path]++
				path += "[" + strconv.Itoa(counts[path]-1) + "]"
				for inner := range counts { // tables inside a new element are counted anew
					if strings.HasPrefix(inner, path+".") {
						delete(counts, inner)
					}
				}
			}
			f.note(path, offset)
			table = path
		case unstable.KeyValue:
			f.indexPair(into, table, e)
		}
	}
}

func (f *File) indexPair(into reflect.Type, table string, e *unstable.Node) {
	path, keyAt := table, -1
	it := e.Key()
	for it.Next() {
		if keyAt < 0 {
			keyAt = int(it.Node().Raw.Offset)
		}
		if path != "" {
			path += "."
		}
		path += string(it.Node().Data)
		f.note(path, keyAt)
	}
	f.indexValue(into, path, e.Value())
}

var readsText = reflect.TypeFor[encoding.TextUnmarshaler]()

func (f *File) indexValue(into reflect.Type, path string, v *unstable.Node) {
	if v.Raw.Length > 0 {
		f.places[path] = int(v.Raw.Offset)
	}
	if v.Kind != unstable.String && v.Kind != unstable.Array && v.Kind != unstable.InlineTable {
		if t := typeAt(into, steps(path)); t != nil && reflect.PointerTo(t).Implements(readsText) {
			f.Fault(path, fmt.Sprintf("%q has a value of the wrong kind (%s)", path, strings.ToLower(v.Kind.String())), hintKinds)
		}
	}
	switch v.Kind {
	case unstable.Array:
		it := v.Children()
		for i := 0; it.Next(); i++ {
			f.indexValue(into, path+"["+strconv.Itoa(i)+"]", it.Node())
		}
	case unstable.InlineTable:
		it := v.Children()
		for it.Next() {
			f.indexPair(into, path, it.Node())
		}
	}
}

func (f *File) note(path string, offset int) {
	if _, ok := f.places[path]; !ok {
		f.places[path] = offset
	}
}

// steps splits a path into its keys, without the indices of arrays.
func steps(path string) []string {
	keys := strings.Split(path, ".")
	for i, k := range keys {
		keys[i], _, _ = strings.Cut(k, "[")
	}
	return keys
}

// typeAt is the type that the value at these keys is decoded into, nil where
// there is none.
func typeAt(t reflect.Type, keys []string) reflect.Type {
	for _, key := range keys {
		t = element(t)
		switch t.Kind() {
		case reflect.Map:
			t = t.Elem()
		case reflect.Struct:
			field, ok := fieldFor(t, key)
			if !ok {
				return nil
			}
			t = field.Type
		default:
			return nil
		}
	}
	return element(t)
}

func fieldFor(t reflect.Type, key string) (reflect.StructField, bool) {
	for i := range t.NumField() {
		if tagName(t.Field(i)) == key {
			return t.Field(i), true
		}
	}
	return reflect.StructField{}, false
}

// knownKeys lists the keys that the struct around key has. The library leaves
// the keys of maps out of key.
func knownKeys(t reflect.Type, key []string) []string {
	t = typeAt(t, key[:len(key)-1])
	if t != nil && t.Kind() == reflect.Map {
		t = element(t.Elem())
	}
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	var names []string
	for i := range t.NumField() {
		if name := tagName(t.Field(i)); name != "" && name != "-" {
			names = append(names, name)
		}
	}
	return names
}

func element(t reflect.Type) reflect.Type {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	return t
}

func tagName(field reflect.StructField) string {
	name, _, _ := strings.Cut(field.Tag.Get("toml"), ",")
	return name
}

func suggestion(key string, known []string) string {
	if len(known) == 0 {
		return ""
	}
	if best := Nearest(key, known); best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "the keys known here are " + strings.Join(known, ", ")
}

// Nearest is the known name that name is most likely a slip of, or empty where
// none is near.
func Nearest(name string, known []string) string {
	best, distance := "", len(name)/2+1
	for _, k := range known {
		if d := editDistance(name, k); d < distance {
			best, distance = k, d
		}
	}
	return best
}

// editDistance is the Levenshtein distance of two short names.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], cost
		}
	}
	return row[len(b)]
}
