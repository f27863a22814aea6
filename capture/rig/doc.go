// Package rig says what a test does to the parts between a unit's terminals: before it (Check), while it
// runs (Guard), and which resistors load a unit step by step (Ladder). It is pure.
//
// It is a convenience and never a safety device. A fuse must be in the loop; local electrical codes and
// qualified persons come first.
package rig
