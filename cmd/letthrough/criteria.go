package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

type criteriaCmd struct {
	List   criteriaListCmd   `cmd:"" default:"withargs" help:"List the sets of criteria."`
	Add    criteriaAddCmd    `cmd:"" help:"Add a set of criteria."`
	Edit   criteriaEditCmd   `cmd:"" help:"Change a set of criteria; its older versions are kept."`
	Remove criteriaRemoveCmd `cmd:"" help:"Remove a set of criteria with all its versions."`
	Choose criteriaChooseCmd `cmd:"" help:"Let verdicts go by this set from now on."`
	Check  criteriaCheckCmd  `cmd:"" help:"Say what is wrong with the text of a set, or print it tidily."`
}

// maxCriteriaFile is more than any set may have, so that a mistyped name reads no disk full of something.
const maxCriteriaFile = 1 << 20

// textIn reads a text file; - is standard input.
func textIn(env *surroundings, path string) (string, error) {
	f := os.Stdin
	if path != "-" {
		var err error
		if f, err = os.Open(path); err != nil {
			return "", fmt.Errorf("read the criteria: %w", err)
		}
		defer f.Close()
	}
	b, err := io.ReadAll(io.LimitReader(f, maxCriteriaFile))
	if err != nil {
		return "", fmt.Errorf("read the criteria: %w", err)
	}
	return strings.TrimPrefix(string(b), "\ufeff"), nil
}

type criteriaListCmd struct {
	dbFlag `embed:""`
	Name   string `arg:"" optional:"" help:"Print the text of this one."`
	JSON   bool   `help:"Print JSON."`
}

func (c criteriaListCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		var sets []trace.CriteriaSet
		if c.Name != "" {
			one, err := onShelf(env, db.Criteria(), c.Name)
			if err != nil {
				return err
			}
			if !c.JSON {
				_, err = fmt.Fprintln(env.stdout, strings.TrimRight(one.Text, "\r\n"))
				return err
			}
			sets = append(sets, one)
		} else {
			var err error
			if sets, err = db.Criteria().All(env.ctx); err != nil {
				return err
			}
		}
		if c.JSON {
			return printJSON(env.stdout, sets)
		}
		w := tabwriter.NewWriter(env.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "id\tcriteria\tversion\tmade\tchosen\tnote")
		for _, s := range sets {
			chosen := ""
			if s.Chosen {
				chosen = "chosen"
			}
			fmt.Fprintf(w, "%d\t%s\t%d\t%s\t%s\t%s\n", s.ID, s.Name, s.Version, s.Made, chosen, s.Note)
		}
		return w.Flush()
	})
}

type criteriaAddCmd struct {
	dbFlag `embed:""`
	Name   string `arg:"" help:"The set's name."`
	Text   string `help:"The file with its text; - is standard input." required:"" placeholder:"FILE"`
	Note   string `help:"A note." placeholder:"TEXT"`
}

func (c criteriaAddCmd) Run(env *surroundings) error {
	text, err := textIn(env, c.Text)
	if err != nil {
		return err
	}
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		s, err := db.Criteria().Add(env.ctx, trace.CriteriaSet{Name: c.Name, Text: text, Note: c.Note})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "added set of criteria %d, %s, version %d\n", s.ID, s.Name, s.Version)
		return err
	})
}

type criteriaEditCmd struct {
	dbFlag `embed:""`
	Set    string  `arg:"" help:"The set's name or number."`
	Rename *string `help:"A new name." placeholder:"NAME"`
	Text   *string `help:"The file with its new text; - is standard input." placeholder:"FILE"`
	Note   *string `help:"A note." placeholder:"TEXT"`
}

func (c criteriaEditCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		s, err := onShelf(env, db.Criteria(), c.Set)
		if err != nil {
			return err
		}
		if c.Text != nil {
			if s.Text, err = textIn(env, *c.Text); err != nil {
				return err
			}
		}
		set(&s.Name, c.Rename)
		set(&s.Note, c.Note)
		if s, err = db.Criteria().Change(env.ctx, s); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "set of criteria %d, %s, is now version %d\n", s.ID, s.Name, s.Version)
		return err
	})
}

type criteriaRemoveCmd struct {
	dbFlag `embed:""`
	Set    string `arg:"" help:"The set's name or number."`
}

func (c criteriaRemoveCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		s, err := onShelf(env, db.Criteria(), c.Set)
		if err != nil {
			return err
		}
		if err := db.Criteria().Remove(env.ctx, s.ID); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "removed set of criteria %d, %s\n", s.ID, s.Name)
		return err
	})
}

type criteriaChooseCmd struct {
	dbFlag `embed:""`
	Set    string `arg:"" help:"The set's name or number."`
}

func (c criteriaChooseCmd) Run(env *surroundings) error {
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		s, err := onShelf(env, db.Criteria(), c.Set)
		if err != nil {
			return err
		}
		s.Chosen = true
		if s, err = db.Criteria().Change(env.ctx, s); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.stdout, "verdicts go by %s, version %d\n", s.Name, s.Version)
		return err
	})
}

type criteriaCheckCmd struct {
	Text string `arg:"" name:"file" help:"The file with its text; - is standard input."`
}

func (c criteriaCheckCmd) Run(env *surroundings) error {
	text, err := textIn(env, c.Text)
	if err != nil {
		return err
	}
	set, err := assess.Parse(text)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Text, err)
	}
	_, err = fmt.Fprint(env.stdout, set)
	return err
}
