//go:build !race

package trip_test

const underRace = false
