package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"letthrough/static"
	"letthrough/store"
	"letthrough/web"
)

type reportCmd struct {
	dbFlag   `embed:""`
	Output   string   `short:"o" help:"The file; its ending says what: .html (one page that carries its samples), .csv or .json. Default: the table as CSV on standard output." placeholder:"FILE"`
	Units    []string `help:"Only these units, by name." placeholder:"NAME,..."`
	Criteria string   `help:"Judge by this set of criteria; default: the chosen one." placeholder:"NAME"`
	JSON     bool     `help:"Print JSON."`
}

func (c reportCmd) Run(env *surroundings) error {
	kind := strings.ToLower(strings.TrimPrefix(filepath.Ext(c.Output), "."))
	switch {
	case c.JSON && c.Output == "":
		kind = "json"
	case c.Output == "" || c.Output == "-":
		kind = "csv"
	}
	if kind == "htm" {
		kind = "html"
	}
	if kind != "html" && kind != "csv" && kind != "json" {
		return &usageError{fmt.Sprintf("-o %s: want a name that ends in .html, .csv or .json", c.Output)}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		rep, err := web.BuildReport(env.ctx, db, web.ReportOptions{Units: c.Units, Criteria: c.Criteria, Version: release, Now: time.Now()})
		if err != nil {
			return err
		}
		write := func(w io.Writer) error {
			switch kind {
			case "html":
				return web.WriteReport(env.ctx, w, static.Files, db, rep, derive)
			case "json":
				return printJSON(w, rep)
			}
			return web.WriteReportCSV(w, rep)
		}
		if c.Output == "" {
			return write(env.stdout)
		}
		if err := writeTo(env, c.Output, write); err != nil || c.Output == "-" {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "%s: %d units, by %s version %d\n", c.Output, len(rep.Units), rep.Criteria, rep.Version)
		return err
	})
}
