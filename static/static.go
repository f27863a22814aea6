// Package static embeds what the browser gets: styles, scripts, page templates, the help pages and
// dist, into which `make assets` bundles the chart library. dist holds at least .gitkeep, so that the
// program builds before the bundle exists; a page then says what is missing and what to type.
package static

import (
	"embed"
	"io/fs"
)

//go:embed styles scripts templates all:help all:dist
var files embed.FS

// Files has styles, scripts, templates, help and dist at its root.
var Files fs.FS = files

// ChartLibrary is the path of the bundled chart library in Files; it may be missing.
const ChartLibrary = "dist/echarts.min.js"
