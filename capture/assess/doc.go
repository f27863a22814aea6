// Package assess judges: criteria that a person writes, verdicts by them, repeats of a test beside each
// other, the time-current characteristic of a unit and what the loads it feeds would have stood.
//
// It is pure: figures and rating plates in, verdicts and sentences out. Bounds decide only what they
// decide; what cannot be told is said to be not determined, with what to measure next.
package assess
