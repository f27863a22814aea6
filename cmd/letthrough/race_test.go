//go:build race

package main

// The race detector makes the simulation several times slower; at less speed the contact still opens
// where it should.
const shelfSpeed = "6"
