//go:build unix

package main

import (
	"os"
	"os/signal"
	"syscall"
)

// onResize calls redraw whenever the terminal gets another size.
func onResize(redraw func()) (end func()) {
	resized := make(chan os.Signal, 1)
	signal.Notify(resized, syscall.SIGWINCH)
	done := make(chan struct{})
	go func() {
		for {
			select {
			case <-resized:
				redraw()
			case <-done:
				return
			}
		}
	}()
	return func() {
		signal.Stop(resized)
		close(done)
	}
}
