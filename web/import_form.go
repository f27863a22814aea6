package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

const (
	// maxTraceBytes bounds a trace that is read into memory: some 8 million rows.
	maxTraceBytes = 128 << 20
	maxFormFiles  = 64
	maxFieldBytes = 8 << 10
)

// importForm is what a page sends: files, and what is known of the traces among them. A bundle and the JSON
// of a run know it themselves.
type importForm struct {
	files    []string // paths in the order they came, each under its own base name
	unit     trace.Unit
	output   string
	note     string
	csv      file.CSVOptions
	settings trace.Settings
}

// readImportForm stores the files of a form in dir and reads its fields. Nothing of a file's name but its
// letters is used.
func readImportForm(form *multipart.Reader, dir string) (f importForm, err error) {
	for {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return f, formError(err)
		}
		if part.FormName() == "file" {
			err = f.keep(part, dir)
		} else {
			err = f.field(part)
		}
		if err != nil {
			return f, err
		}
	}
	if len(f.files) == 0 {
		return f, malformed("choose a bundle, a run as JSON, a CSV, or a COMTRADE .cfg with its .dat", "there is no file in the form")
	}
	if f.settings.Procedure == "" {
		f.settings.Procedure = trace.Short
	}
	if err := f.settings.Validate(); err != nil {
		return f, outOfRange("", "%s", err)
	}
	if f.unit.Name != "" {
		if err := f.unit.Validate(); err != nil {
			return f, outOfRange("", "%s", err)
		}
	}
	return f, nil
}

// formError tells a form that is none from a body that did not arrive.
func formError(err error) error {
	if _, known := faultOf(err); known {
		return err
	}
	return malformed("send it as multipart/form-data", "the form cannot be read: %s", clip(err.Error()))
}

// keep stores one file.
func (f *importForm) keep(part *multipart.Part, dir string) error {
	name := safeName(part.FileName())
	switch {
	case name == "":
		return nil // a field for a file that was left empty
	case len(f.files) == maxFormFiles:
		return outOfRange("import them in several goes", "at most %d files at once", maxFormFiles)
	}
	path := filepath.Join(dir, name)
	to, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, os.ErrExist) {
		return malformed("give each its own name", "two files are called %s", name)
	}
	if err != nil {
		return err
	}
	_, err = io.Copy(to, part)
	if err := errors.Join(err, to.Close()); err != nil {
		return formError(err)
	}
	f.files = append(f.files, path)
	return nil
}

// safeName is a file's own name without what could lead elsewhere.
func safeName(name string) string {
	name = name[strings.LastIndexAny(name, `/\`)+1:]
	name = strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f || strings.ContainsRune(`:*?"<>|`, c) {
			return '_'
		}
		return c
	}, name)
	if len(name) > 120 {
		name = strings.ToValidUTF8(name[len(name)-120:], "_") // the end tells what it is
	}
	if strings.Trim(name, ". ") == "" {
		return ""
	}
	return name
}

// field reads one field; an empty one says nothing.
func (f *importForm) field(part *multipart.Part) error {
	b, err := io.ReadAll(io.LimitReader(part, maxFieldBytes+1))
	if err != nil {
		return formError(err)
	}
	name, text := part.FormName(), strings.TrimSpace(string(b))
	if len(b) > maxFieldBytes {
		return outOfRange("", "%s: more than %d bytes are too long", clip(name), maxFieldBytes)
	}
	texts := map[string]*string{"unit": &f.unit.Name, "output": &f.output, "note": &f.note,
		"time_column": &f.csv.TimeColumn, "current_column": &f.csv.CurrentColumn, "voltage_column": &f.csv.VoltageColumn}
	numbers := map[string]*float64{"rated_current_a": &f.settings.RatedCurrentA, "rated_voltage_v": &f.settings.RatedVoltageV,
		"resolution_a": &f.settings.ResolutionA, "full_scale_a": &f.settings.FullScaleA, "hold_s": &f.settings.HoldS, "dwell_s": &f.settings.DwellS}
	switch to, number := texts[name], numbers[name]; {
	case text == "":
	case to != nil:
		if err := checkTexts(map[string]string{name: text}, maxText); err != nil {
			return err
		}
		*to = text
	case number != nil:
		v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			return malformed("write it like 1.4", "%s: %q is no number", name, clip(text))
		}
		*number = v
	case name == "averaging_s":
		v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			return malformed("write it like 0.4", "%s: %q is no number", name, clip(text))
		}
		f.settings.AveragingS = &v
	case name == "procedure":
		f.settings.Procedure = trace.Procedure(text)
	case name == "waveform":
		f.settings.Waveform = trace.Waveform(text)
	case name == "accuracy":
		if f.settings.Accuracy, err = trace.ParseAccuracy(text); err != nil {
			return outOfRange("", "%s", err)
		}
	default:
		return malformed("", "there is no field %q", clip(name))
	}
	return nil
}

// importFiles reads every file before the database is touched, and imports all of them or none.
func (s *Server) importFiles(ctx context.Context, f importForm) ([]store.Imported, error) {
	if f.unit.Name != "" {
		u, err := s.store.UnitByName(ctx, f.unit.Name)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return nil, err
		}
		if err == nil {
			f.unit = u
		}
	}
	var recs []trace.Recording
	for _, path := range f.files {
		if isSibling(path, f.files) {
			continue // it is read with its .cfg
		}
		runs, err := file.OpenRuns(path)
		switch {
		case errors.Is(err, file.ErrNoRuns):
			rec, err := s.traceIn(path, f)
			if err != nil {
				return nil, err
			}
			recs = append(recs, rec)
			continue
		case err != nil:
			return nil, err
		}
		defer runs.Close() // what was read of them is walked over below
		more, err := allOf(runs)
		if err != nil {
			return nil, err
		}
		recs = append(recs, more...)
	}
	return s.store.ImportRecordings(ctx, eachOf(recs))
}

// isSibling: a .dat, .hdr or .inf beside the .cfg of its name (IEEE C37.111).
func isSibling(path string, all []string) bool {
	ext := strings.ToLower(filepath.Ext(path))
	if ext != ".dat" && ext != ".hdr" && ext != ".inf" {
		return false
	}
	stem := strings.TrimSuffix(path, filepath.Ext(path))
	for _, other := range all {
		if other != path && strings.EqualFold(filepath.Ext(other), ".cfg") && strings.EqualFold(strings.TrimSuffix(other, filepath.Ext(other)), stem) {
			return true
		}
	}
	return false
}

func isComtrade(path string) bool {
	ext := strings.ToLower(filepath.Ext(path))
	return ext == ".cfg" || ext == ".cff"
}

// isTable: neither COMTRADE nor whole runs, by its name.
func isTable(path string) bool {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".cfg", ".cff", ".dat", ".hdr", ".inf", ".zip", ".json", ".bundle":
		return false
	}
	return true
}

// traceIn reads a trace and derives what it gives.
func (s *Server) traceIn(path string, f importForm) (trace.Recording, error) {
	info, err := os.Stat(path)
	if err != nil {
		return trace.Recording{}, err
	}
	if info.Size() > maxTraceBytes {
		return trace.Recording{}, outOfRange("import it with: letthrough runs import FILE", "%s: a trace of %d MB is too long for the page, which takes %d", filepath.Base(path), info.Size()>>20, maxTraceBytes>>20)
	}
	columns := f.csv
	if isComtrade(path) && slices.ContainsFunc(f.files, isTable) {
		columns = file.CSVOptions{} // they are those of the table beside it
	}
	t, err := file.Read(path, file.Options{CSV: columns})
	if err != nil {
		return trace.Recording{}, err
	}
	set, u := f.settings, f.unit
	set.ShareRating(&u)
	if set.ResolutionA == 0 {
		set.ResolutionA = t.ResolutionA
	}
	if u.Name == "" {
		u = trace.Unit{}
	}
	rec, err := t.Recording(trace.RunStart{Unit: u, Output: f.output, Note: f.note, Settings: set, Version: s.opts.Version,
		Instruments: []trace.RunInstrument{{Name: file.Instrument, Format: strings.TrimPrefix(strings.ToLower(filepath.Ext(path)), "."), Port: filepath.Base(path)}}}, s.opts.Derive)
	if err != nil {
		var bad *file.Error
		if !errors.As(err, &bad) {
			err = fmt.Errorf("derive %s: %w", filepath.Base(path), err)
		}
	}
	return rec, err
}
