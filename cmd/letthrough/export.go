package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"path/filepath"
	"strings"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"

	"golang.org/x/sys/unix"
)

type runsExportCmd struct {
	dbFlag     `embed:""`
	IDs        []int64  `arg:"" name:"id" help:"The run's number; a bundle takes several."`
	Format     string   `help:"${enum}." enum:"csv,json,comtrade,cff,parquet,vtt,srt,bundle" default:"csv"`
	Output     string   `short:"o" help:"The file to write; - is standard output. COMTRADE makes a .cfg and a .dat beside it." default:"-" placeholder:"FILE"`
	Data       string   `help:"Of COMTRADE: ${enum}." enum:"ascii,binary,binary32,float32" default:"ascii"`
	Rate       float64  `help:"Of captions: how many a second at most." default:"5" placeholder:"N"`
	Offset     *seconds `help:"Of captions: when the run's first sample is in the video; may be negative." placeholder:"S"`
	Sync       string   `help:"Of captions: the video's sound as a WAV file; the Bench's onset chirp in it says when the test is in the video." placeholder:"SOUND.wav"`
	NoLanguage bool     `help:"Of captions: signs instead of words."`
	Criteria   []string `help:"Of a bundle or JSON: send this set of criteria along; give it again for more." placeholder:"NAME"`
}

func (c runsExportCmd) Run(env *surroundings) error {
	if len(c.IDs) > 1 && c.Format != "bundle" {
		return &usageError{"only --format bundle takes more than one run"}
	}
	if c.Format == "comtrade" && c.Output == "-" {
		return &usageError{"COMTRADE is two files: name them with -o X.cfg (or use --format cff)"}
	}
	if c.Sync != "" && c.Format != "vtt" && c.Format != "srt" {
		return &usageError{"--sync is of captions: use it with --format vtt or srt"}
	}
	if c.Sync != "" && c.Offset != nil {
		return &usageError{"--sync and --offset both say when the test is in the video: give one of them"}
	}
	return withDB(env, c.dbFlag, func(db *store.DB) error {
		if c.Format == "bundle" {
			return writeTo(env, c.Output, func(w io.Writer) error {
				return file.WriteBundle(w, "letthrough "+release, c.recordings(env, db))
			})
		}
		if c.Format == "csv" { // also of a run that is still open
			return c.csv(env, db)
		}
		rec, err := c.recording(env, db, c.IDs[0])
		if err != nil {
			return err
		}
		if c.Format == "comtrade" {
			return c.comtrade(env, rec)
		}
		f, err := file.FindExportFormat(c.Format)
		if err != nil {
			return err
		}
		options := c.options()
		if c.Sync != "" {
			if options.Captions.OffsetS, err = c.synced(env, rec); err != nil {
				return err
			}
		}
		return writeTo(env, c.Output, func(w io.Writer) error { return f.Write(w, rec, options) })
	})
}

// synced finds the onset chirp in the video's sound and says when the run's first kept sample is in the video.
func (c runsExportCmd) synced(env *surroundings, rec trace.Recording) (offsetS float64, err error) {
	onset := math.NaN()
	for _, m := range rec.End.Derivation.Marks {
		if m.Kind == trace.Onset && !m.Withdrawn {
			onset = m.T
			break
		}
	}
	if math.IsNaN(onset) {
		return 0, fmt.Errorf("run %d has no onset, so no chirp was sounded: give --offset by hand", c.IDs[0])
	}
	f, err := os.Open(c.Sync)
	if err != nil {
		return 0, fmt.Errorf("--sync: %w", err)
	}
	defer f.Close()
	wait(env.stderr, "looking for the chirp in %s", filepath.Base(c.Sync))
	chirp, err := file.FindChirp(f)
	if err != nil {
		return 0, fmt.Errorf("--sync %s: %w", filepath.Base(c.Sync), err)
	}
	fmt.Fprintf(env.stderr, "the onset is %.3f s into %s\n", chirp.OnsetS(), filepath.Base(c.Sync))
	return chirp.OnsetS() - onset + firstSampleS(rec), nil
}

// firstSampleS is when the first sample of the current is on the run's own time base.
func firstSampleS(rec trace.Recording) float64 {
	for b, err := range rec.Batches {
		if err != nil {
			break // told when the captions are written
		}
		if b.Channel.Quantity == trace.Current && len(b.Samples) > 0 {
			return float64(b.Samples[0].AtNS) / 1e9
		}
	}
	return 0
}

func (c runsExportCmd) options() file.ExportOptions {
	offset := 0.0
	if c.Offset != nil {
		offset = float64(*c.Offset)
	}
	o := file.ExportOptions{Run: c.IDs[0], Data: c.Data, By: "letthrough " + release,
		Captions: file.CaptionOptions{RateHz: c.Rate, OffsetS: offset, Phase: words.Phase}}
	if c.NoLanguage {
		o.Captions.Phase = nil
	}
	return o
}

func (c runsExportCmd) csv(env *surroundings, db *store.DB) error {
	r, err := db.Run(env.ctx, c.IDs[0])
	if err != nil {
		return err
	}
	rec := trace.Recording{Start: trace.RunStart{Instruments: r.Instruments}, End: trace.RunEnd{Settings: r.DerivedWith}, Batches: db.Batches(env.ctx, r.ID)}
	for _, info := range r.Channels {
		rec.Channels = append(rec.Channels, info.Channel)
	}
	return writeTo(env, c.Output, func(w io.Writer) error { return file.WriteCSVRows(w, rec.Channels, rec.Corrected().Batches) })
}

// comtrade writes both halves of a record; the configuration comes last, so that it never stands
// beside data that is not whole.
func (c runsExportCmd) comtrade(env *surroundings, rec trace.Recording) error {
	rec = rec.Corrected()
	base := strings.TrimSuffix(c.Output, filepath.Ext(c.Output))
	if ext := filepath.Ext(c.Output); ext != "" && !strings.EqualFold(ext, ".cfg") && !strings.EqualFold(ext, ".dat") {
		base = c.Output
	}
	return writeTo(env, base+".cfg", func(cfg io.Writer) error {
		return writeTo(env, base+".dat", func(dat io.Writer) error {
			return file.WriteComtrade(cfg, dat, file.ComtradeOf(rec, c.Data), rec.Channels, rec.Batches)
		})
	})
}

// recording reads a stored run, and the criteria that are to go along.
func (c runsExportCmd) recording(env *surroundings, db *store.DB, id int64) (trace.Recording, error) {
	rec, err := db.Recording(env.ctx, id)
	for _, name := range c.Criteria {
		if err != nil {
			break
		}
		var set trace.CriteriaSet
		set, err = onShelf(env, db.Criteria(), name)
		set.ID = 0
		rec.Criteria = append(rec.Criteria, set)
	}
	return rec, err
}

// recordings walks over stored runs.
func (c runsExportCmd) recordings(env *surroundings, db *store.DB) iter.Seq2[trace.Recording, error] {
	return func(yield func(trace.Recording, error) bool) {
		for _, id := range c.IDs {
			rec, err := c.recording(env, db, id)
			if !yield(rec, err) || err != nil {
				return
			}
		}
	}
}

type runsImportCmd struct {
	dbFlag        `embed:""`
	Files         []string `arg:"" name:"file" help:"Bundles, runs as JSON, or traces: CSV, COMTRADE."`
	JSON          bool     `help:"Print JSON."`
	Unit          string   `help:"Of traces: the unit that was tested; made where it is not known." placeholder:"NAME"`
	Output        string   `help:"Of traces: which output of it." placeholder:"NAME"`
	Note          string   `help:"Of traces: a note." placeholder:"TEXT"`
	TimeColumn    string   `help:"Header or number (from 1) of the column with the time." placeholder:"COLUMN"`
	CurrentColumn string   `help:"Header or number of the column with the current." placeholder:"COLUMN"`
	VoltageColumn string   `help:"Header or number of the column with the voltage." placeholder:"COLUMN"`
	timecodeFlags `embed:""`
	settingsFlags `embed:""`
}

// Run imports all files or, where one of them cannot be read, none.
func (c runsImportCmd) Run(env *surroundings) error {
	rate, err := c.rate()
	if err != nil {
		return err
	}
	s, err := c.overWith(trace.Settings{}, rate)
	if err != nil {
		return err
	}
	// Everything is read and derived before the database is touched: a test may be recorded into it; and none
	// is made for what cannot be read.
	var recs []trace.Recording
	u := trace.Unit{Name: c.Unit}
	if _, err := os.Stat(c.DB); err == nil {
		if err := withDB(env, c.dbFlag, func(db *store.DB) (err error) {
			u, err = c.unit(env, db)
			return err
		}); err != nil {
			return err
		}
	}
	for _, path := range c.Files {
		more, closeFile, err := c.read(env, path, u, s, rate)
		defer closeFile()
		if err != nil {
			return err
		}
		recs = append(recs, more...)
	}
	return withNewDB(env, c.dbFlag, func(db *store.DB) error {
		done, err := db.ImportRecordings(env.ctx, each(recs))
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(env.stdout, struct {
				Runs []store.Imported `json:"runs"`
			}{done})
		}
		for _, d := range done {
			if d.Known {
				fmt.Fprintf(env.stdout, "run %d (%s) was here already and stays as it is\n", d.ID, d.Unit)
			} else {
				fmt.Fprintf(env.stdout, "imported as run %d (%s)\n", d.ID, d.Unit)
			}
			for _, said := range d.Said {
				fmt.Fprintf(env.stdout, "  %s\n", said)
			}
		}
		return nil
	})
}

// unit finds the unit that traces are of, with its plate, which counts where no flag says else.
func (c runsImportCmd) unit(env *surroundings, db *store.DB) (trace.Unit, error) {
	u, err := db.UnitByName(env.ctx, c.Unit)
	if c.Unit == "" || errors.Is(err, store.ErrNotFound) {
		return trace.Unit{Name: c.Unit}, nil
	}
	return u, err
}

func each(recs []trace.Recording) iter.Seq2[trace.Recording, error] {
	return func(yield func(trace.Recording, error) bool) {
		for _, rec := range recs {
			if !yield(rec, nil) {
				return
			}
		}
	}
}

// read finds the runs in one file; they can be walked over until it is closed.
func (c runsImportCmd) read(env *surroundings, path string, u trace.Unit, s trace.Settings, rate *file.FrameRate) (recs []trace.Recording, closeFile func() error, err error) {
	closeFile = func() error { return nil }
	if rate != nil {
		rec, err := c.trace(env, path, u, s, rate)
		return []trace.Recording{rec}, closeFile, err
	}
	runs, err := file.OpenRuns(path)
	if errors.Is(err, file.ErrNoRuns) {
		rec, err := c.trace(env, path, u, s, nil)
		return []trace.Recording{rec}, closeFile, err
	}
	if err != nil {
		return nil, closeFile, err
	}
	for rec, err := range runs.All() {
		if err != nil {
			return nil, runs.Close, err
		}
		recs = append(recs, rec)
	}
	return recs, runs.Close, nil
}

func (c runsImportCmd) trace(env *surroundings, path string, u trace.Unit, s trace.Settings, rate *file.FrameRate) (trace.Recording, error) {
	bar := newProgress(env.stderr, path)
	defer bar.done()
	t, err := readTrace(path, file.Options{Watch: bar.at, CSV: file.CSVOptions{
		TimeColumn: c.TimeColumn, CurrentColumn: c.CurrentColumn, VoltageColumn: c.VoltageColumn,
	}}, rate, &s)
	if err != nil {
		return trace.Recording{}, err
	}
	s.ShareRating(&u)
	if s.ResolutionA == 0 {
		s.ResolutionA = t.ResolutionA
	}
	return t.Recording(trace.RunStart{Unit: u, Output: c.Output, Note: c.Note, Settings: s, Version: release,
		Instruments: []trace.RunInstrument{{Name: file.Instrument, Format: strings.TrimPrefix(filepath.Ext(path), "."), Port: filepath.Base(path)}}}, derive)
}

// progress shows how far a file is read, where somebody sees it: on a terminal.
type progress struct {
	w    *os.File // nil: nobody
	name string
	last int
}

const progressWidth = 30

func newProgress(w io.Writer, name string) *progress {
	p := &progress{name: filepath.Base(name), last: -1}
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		p.w = f
	}
	return p
}

// at shows that so many bytes of so many are read.
func (p *progress) at(read, size int64) {
	if p.w == nil || size <= 0 {
		return
	}
	percent := int(min(100, read*100/size))
	if percent == p.last {
		return
	}
	p.last = percent
	full := percent * progressWidth / 100
	fmt.Fprintf(p.w, "\r%s [%s%s] %3d %%", p.name, strings.Repeat("=", full), strings.Repeat(" ", progressWidth-full), percent)
}

// done clears the line for what follows.
func (p *progress) done() {
	if p.w != nil && p.last >= 0 {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}

// wait tells a person on a terminal what takes a moment; elsewhere standard error is for what went wrong.
func wait(w io.Writer, format string, args ...any) {
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		fmt.Fprintf(f, format+"\n", args...)
	}
}

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}
