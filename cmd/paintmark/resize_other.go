//go:build !unix

package main

// onResize has nothing to listen to; the next event redraws.
func onResize(func()) (end func()) { return func() {} }
