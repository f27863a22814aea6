// Package heat has the sums that say what a current does to what it flows through: conductors, windings,
// resistors and shunts, fuses and resettable protectors. It is pure: tables and formulas, no state.
//
// Quantities carry their units in their names: _A amperes, A2s ampere squared seconds (joules per ohm),
// MM2 square millimetres, C degrees Celsius, K kelvin. A sum that cannot be made gives NaN, never a
// plausible number; a time that never comes is +Inf.
//
// Sources are named beside each formula. "Common practice, no source" marks what the trade does and no
// standard that we know says.
package heat
