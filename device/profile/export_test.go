package profile

import "regexp"

// Matching gives a function that finds what the pattern's FindSubmatchIndex
// does, by the matcher, and whether the matcher takes this pattern itself.
func Matching(pattern *regexp.Regexp) (find func([]byte) []int, own bool) {
	m := &match{matcher: newMatcher(pattern)}
	return m.find, m.steps != nil
}
