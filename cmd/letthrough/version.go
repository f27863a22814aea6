package main

import (
	"encoding/json"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

// release is the version of the program; the commit comes from the build itself.
const release = "0.1.0"

type versionCmd struct {
	JSON bool `help:"Print JSON."`
}

func (c versionCmd) Run(env *surroundings) error {
	v := struct {
		Version string `json:"version"`
		Commit  string `json:"commit"`
		Go      string `json:"go"`
	}{release, commit(), runtime.Version()}
	if c.JSON {
		return printJSON(env.stdout, v)
	}
	_, err := fmt.Fprintf(env.stdout, "letthrough %s (%s, %s)\n", v.Version, v.Commit, v.Go)
	return err
}

// commit names the commit that the program was built from.
func commit() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown commit"
	}
	rev, changed := "unknown commit", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			rev = s.Value[:min(12, len(s.Value))]
		case "vcs.modified":
			if s.Value == "true" {
				changed = " with changes"
			}
		}
	}
	return rev + changed
}

// printJSON writes v as a person can read it, without turning < and & into codes.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
