// Package compare sets two to six runs of one procedure side by side: each figure with its difference,
// its ratio and whether the difference exceeds the combined uncertainty; an order only as far as the bounds
// decide it; the conditions that were unlike; and what repeated runs of one unit have in common. It is
// pure: runs in, a table out.
package compare
