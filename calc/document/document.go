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

// Bounds that no file of a person reaches; they keep a hostile one from taking
// for ever.
const (
	maxDepth  = 32  // tables and arrays inside each other
	maxFaults = 100 // that are listed
)

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
	more   int // faults that are not listed
}

// Decode reads TOML text strictly into the struct that into points to. The
// name is for messages only. The returned error is of type Faults.
func Decode(name string, text []byte, into any) (*File, error) {
	text = bytes.TrimPrefix(text, []byte("\uFEFF")) // some editors begin every file with it
	f := &File{name: name, text: text, places: map[string]int{}}
	if len(text) > MaxSize {
		return nil, Faults{{File: name, Problem: fmt.Sprintf("%d bytes are more than the %d that are read", len(text), MaxSize)}}
	}
	if at := invalidUTF8(text); at >= 0 {
		line, column := f.lineColumn(at)
		return nil, Faults{{File: name, Line: line, Column: column, Problem: "not UTF-8 text", Hint: "save the file as UTF-8"}}
	}
	syntax := f.index(reflect.TypeOf(into))
	if len(f.faults) > 0 && syntax == nil {
		return nil, f.Err()
	}
	if err := toml.Unmarshal(text, into); err != nil {
		f.faults = append(f.faults, f.explain(err))
	}
	if err := f.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

const hintKinds = `quantities and names are written in quotes, as in "88 N·m"; counts without`

func wrongKind(what, kind string) string {
	return fmt.Sprintf("%q has a value of the wrong kind (%s)", clip(what), kind)
}

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

// explain turns the library's error into a fault.
func (f *File) explain(err error) *Fault {
	e, ok := errors.AsType[*toml.DecodeError](err)
	if !ok {
		return &Fault{File: f.name, Problem: strings.TrimPrefix(err.Error(), "toml: ")}
	}
	problem := strings.TrimPrefix(e.Error(), "toml: ")
	hint := ""
	if cause := errors.Unwrap(err); cause != nil && cause != error(e) {
		problem = strings.TrimPrefix(cause.Error(), "toml: ")
	}
	if kind, ok := strings.CutPrefix(problem, "cannot decode TOML "); ok {
		got, _, _ := strings.Cut(kind, " ")
		problem = fmt.Sprintf("a value of the wrong kind (%s)", got)
		if len(e.Key()) > 0 {
			problem = wrongKind(strings.Join(e.Key(), "."), got)
		}
		hint = hintKinds
	}
	line, column := e.Position()
	return &Fault{File: f.name, Line: line, Column: f.characters(line, column), Problem: problem, Hint: hint}
}

// characters turns a column counted in bytes into one counted in characters. The
// library may point into the middle of one.
func (f *File) characters(line, column int) int {
	lines := bytes.SplitN(f.text, []byte("\n"), line+1)
	if line < 1 || line > len(lines) {
		return column
	}
	text := lines[line-1]
	at := min(column-1, len(text))
	for at > 0 && at < len(text) && !utf8.RuneStart(text[at]) {
		at--
	}
	return utf8.RuneCount(text[:at]) + 1
}

func (f *File) faultAt(offset int, problem, hint string) {
	if len(f.faults) == maxFaults {
		f.more++
		return
	}
	line, column := f.lineColumn(offset)
	f.faults = append(f.faults, &Fault{File: f.name, Line: line, Column: column, Problem: problem, Hint: hint})
}

// Fault notes a problem with the value at path and goes on, so that a person
// sees all that is wrong at once. Where the value itself is not in the file,
// the nearest table around it is named.
func (f *File) Fault(path, problem, hint string) {
	offset := 0
	for p := path; p != ""; p = parent(p) {
		if at, ok := f.places[p]; ok {
			offset = at
			break
		}
	}
	f.faultAt(offset, problem, hint)
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
	if f.more > 0 {
		return append(slices.Clone(f.faults), &Fault{File: f.name, Problem: fmt.Sprintf("and %d faults more", f.more)})
	}
	return f.faults
}

func (f *File) lineColumn(offset int) (line, column int) {
	before := f.text[:offset]
	start := bytes.LastIndexByte(before, '\n') + 1
	return bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(before[start:]) + 1
}

// parent drops the last step of a path: "a[1].b" → "a[1]" → "a" → "".
func parent(path string) string {
	return path[:max(0, strings.LastIndexAny(path, ".["))]
}

// A place is where something stands in the file: its path, the keys alone for
// messages, and the type it is decoded into, nil where that is not known.
type place struct {
	path, keys string
	into       reflect.Type
}

// index notes where each value stands, as far as the syntax is right, and finds
// the keys that into does not have. The library could find them too, but takes
// a time for each that grows with the whole file. Where a bare number stands for
// something that is read from text, index says so: the library would pass the
// number on and lose its place.
func (f *File) index(into reflect.Type) (syntax error) {
	var p unstable.Parser
	p.Reset(f.text)
	elements := map[string]int{} // of each array of tables, by path
	root := place{into: into}
	table, known := root, true
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table, known = root, true
			first := -1
			for it := e.Key(); known && it.Next(); {
				if first < 0 {
					first = int(it.Node().Raw.Offset)
				}
				if table, known = f.step(table, it.Node()); !known {
					break
				}
				n, array := elements[table.path]
				switch {
				case e.Kind == unstable.ArrayTable && it.IsLast():
					elements[table.path] = n + 1
					table.path += "[" + strconv.Itoa(n) + "]"
				case array:
					table.path += "[" + strconv.Itoa(n-1) + "]"
				}
				f.note(table.path, first)
			}
			if t := element(table.into); known && t != nil && readsText(t) {
				f.faultAt(first, wrongKind(table.keys, "table"), hintKinds)
			}
		case unstable.KeyValue:
			if known {
				f.indexPair(table, e)
			}
		}
	}
	return p.Error()
}

func (f *File) indexPair(at place, e *unstable.Node) {
	first := -1
	for it := e.Key(); it.Next(); {
		if first < 0 {
			first = int(it.Node().Raw.Offset)
		}
		var known bool
		if at, known = f.step(at, it.Node()); !known {
			return
		}
		f.note(at.path, first)
	}
	f.indexValue(at, e.Value())
}

// step goes one key on, and tells whether that key is known there.
func (f *File) step(at place, key *unstable.Node) (place, bool) {
	name := string(key.Data)
	next := place{path: name, keys: name}
	if at.path != "" {
		next = place{path: at.path + "." + name, keys: at.keys + "." + name}
	}
	if tooDeep(next.path) {
		f.faultAt(int(key.Raw.Offset), tooDeepProblem, "")
		return next, false
	}
	switch t := element(at.into); {
	case t == nil:
	case readsText(t):
		f.faultAt(int(key.Raw.Offset), wrongKind(at.keys, "table"), hintKinds)
		return next, false
	case t.Kind() == reflect.Map:
		next.into = t.Elem()
	case t.Kind() == reflect.Struct:
		var names []string
		for i := range t.NumField() {
			if known := tagName(t.Field(i)); known == name {
				next.into = t.Field(i).Type
				return next, true
			} else if known != "" && known != "-" {
				names = append(names, known)
			}
		}
		f.faultAt(int(key.Raw.Offset), fmt.Sprintf("unknown key %q", clip(next.keys)), suggestion(name, names))
		return next, false
	}
	return next, true
}

func (f *File) indexValue(at place, v *unstable.Node) {
	if v.Raw.Length > 0 {
		f.places[at.path] = int(v.Raw.Offset)
	}
	if t := element(at.into); t != nil && readsText(t) && v.Kind != unstable.Array {
		f.indexText(at, t, v)
		return
	}
	switch v.Kind {
	case unstable.Array:
		if tooDeep(at.path) {
			f.Fault(at.path, tooDeepProblem, "")
			return
		}
		inner := at
		for i, it := 0, v.Children(); it.Next(); i++ {
			inner.path = at.path + "[" + strconv.Itoa(i) + "]"
			f.indexValue(inner, it.Node())
		}
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			f.indexPair(at, it.Node())
		}
	}
}

// indexText tries a value that is read from text, so that all that cannot be
// read is told at once, and with the hint that the library would drop.
func (f *File) indexText(at place, t reflect.Type, v *unstable.Node) {
	if v.Kind != unstable.String {
		f.Fault(at.path, wrongKind(at.keys, strings.ToLower(v.Kind.String())), hintKinds)
		return
	}
	if err := reflect.New(t).Interface().(encoding.TextUnmarshaler).UnmarshalText(v.Data); err != nil {
		hint := ""
		if h, ok := err.(interface{ HintText() string }); ok {
			hint = h.HintText()
		}
		f.Fault(at.path, err.Error(), hint)
	}
}

var tooDeepProblem = fmt.Sprintf("more than %d tables and arrays inside each other", maxDepth)

func tooDeep(path string) bool { return strings.Count(path, ".")+strings.Count(path, "[") > maxDepth }

func (f *File) note(path string, offset int) {
	if _, ok := f.places[path]; !ok {
		f.places[path] = offset
	}
}

// element is what arrays of t hold, or t itself; nil for an unknown type.
func element(t reflect.Type) reflect.Type {
	for t != nil && (t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice) {
		t = t.Elem()
	}
	return t
}

// readsText tells whether a type is read from text; a date of TOML's own has its
// own syntax.
func readsText(t reflect.Type) bool {
	return t != reflect.TypeFor[toml.LocalDate]() && reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func tagName(field reflect.StructField) string {
	name, _, _ := strings.Cut(field.Tag.Get("toml"), ",")
	return name
}

// clip keeps a message to one line of bearable length.
func clip(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:80]) + "…"
	}
	return s
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
	if len(name) > 80 {
		return "" // no slip of a hand
	}
	best, distance := "", len(name)/2+1
	for _, k := range known {
		if d := editDistance(name, k); d < distance {
			best, distance = k, d
		}
	}
	return best
}

// editDistance is how many letters must be changed, added, left out or swapped
// with the next to make b of a (the optimal string alignment distance).
func editDistance(a, b string) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			if a[i-1] == b[j-1] {
				rows[i][j] = rows[i-1][j-1]
				continue
			}
			rows[i][j] = 1 + min(rows[i-1][j-1], rows[i-1][j], rows[i][j-1])
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				rows[i][j] = min(rows[i][j], 1+rows[i-2][j-2])
			}
		}
	}
	return rows[len(a)][len(b)]
}
