package profile

import (
	"regexp"
	"regexp/syntax"
	"unicode/utf8"
)

// Bounds of what a matcher takes; beyond them package regexp matches.
const (
	mostSteps = 500     // of a program
	mostBits  = 1 << 16 // of the places it may visit
)

// A matcher finds what package regexp's FindSubmatchIndex finds for a pattern
// that is anchored at both ends, without allocating the result: by backtracking
// over the same program, where no choice is tried twice at one place. So it
// takes time in proportion to the pattern's length times the line's.
type matcher struct {
	pattern *regexp.Regexp
	steps   []step // nil where the program is too large
	start   uint32
	choices int
}

// A step is an instruction of the program.
type step struct {
	op       syntax.InstOp
	out, arg uint32
	choice   int       // its number among the alternatives
	ascii    [2]uint64 // the runes below 128 that it takes
	inst     *syntax.Inst
}

func newMatcher(pattern *regexp.Regexp) *matcher {
	m := &matcher{pattern: pattern}
	tree, err := syntax.Parse(pattern.String(), syntax.Perl)
	if err != nil {
		return m
	}
	program, err := syntax.Compile(tree.Simplify())
	if err != nil || len(program.Inst) > mostSteps {
		return m
	}
	m.start = uint32(program.Start)
	for i := range program.Inst {
		inst := &program.Inst[i]
		s := step{op: inst.Op, out: inst.Out, arg: inst.Arg, inst: inst}
		switch inst.Op {
		case syntax.InstAlt, syntax.InstAltMatch:
			s.op, s.choice = syntax.InstAlt, m.choices
			m.choices++
		case syntax.InstRune, syntax.InstRune1, syntax.InstRuneAny, syntax.InstRuneAnyNotNL:
			s.op = syntax.InstRune
			for r := range rune(utf8.RuneSelf) {
				if inst.MatchRune(r) {
					s.ascii[r>>6] |= 1 << (r & 63)
				}
			}
		}
		m.steps = append(m.steps, s)
	}
	return m
}

// A match is the memory that matching takes, to be used again.
type match struct {
	*matcher
	body    []byte
	at      []int
	visited []uint64
}

// find gives the places of the pattern's groups in body, as FindSubmatchIndex
// does, good until the next find; nil where the pattern does not match.
func (m *match) find(body []byte) []int {
	bits := m.choices * (len(body) + 1)
	if m.steps == nil || bits > mostBits {
		return m.pattern.FindSubmatchIndex(body)
	}
	m.body = body
	if words := (bits + 63) / 64; words <= cap(m.visited) {
		m.visited = m.visited[:words]
		clear(m.visited)
	} else {
		m.visited = make([]uint64, words)
	}
	if m.at == nil {
		m.at = make([]int, 2*(m.pattern.NumSubexp()+1))
	}
	for i := range m.at {
		m.at[i] = -1
	}
	if !m.try(m.start, 0) {
		return nil
	}
	return m.at
}

// try matches from a step of the program on.
func (m *match) try(pc uint32, pos int) bool {
	for {
		s := &m.steps[pc]
		switch s.op {
		case syntax.InstAlt:
			n := s.choice*(len(m.body)+1) + pos
			if m.visited[n>>6]&(1<<(n&63)) != 0 {
				return false
			}
			m.visited[n>>6] |= 1 << (n & 63)
			if m.try(s.out, pos) {
				return true
			}
			pc = s.arg
			continue
		case syntax.InstRune:
			if pos == len(m.body) {
				return false
			}
			c := m.body[pos]
			if c < utf8.RuneSelf {
				if s.ascii[c>>6]&(1<<(c&63)) == 0 {
					return false
				}
				pos++
			} else {
				r, width := utf8.DecodeRune(m.body[pos:])
				if !s.inst.MatchRune(r) {
					return false
				}
				pos += width
			}
		case syntax.InstCapture:
			old := m.at[s.arg]
			m.at[s.arg] = pos
			if m.try(s.out, pos) {
				return true
			}
			m.at[s.arg] = old
			return false
		case syntax.InstEmptyWidth:
			before, after := rune(-1), rune(-1)
			if pos > 0 {
				before, _ = utf8.DecodeLastRune(m.body[:pos])
			}
			if pos < len(m.body) {
				after, _ = utf8.DecodeRune(m.body[pos:])
			}
			if syntax.EmptyOp(s.arg)&^syntax.EmptyOpContext(before, after) != 0 {
				return false
			}
		case syntax.InstMatch:
			m.at[0], m.at[1] = 0, pos
			return true
		case syntax.InstFail:
			return false
		}
		pc = s.out
	}
}
