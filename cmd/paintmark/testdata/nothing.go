// Command nothing does nothing: what a program's start costs.
package main

func main() {}
