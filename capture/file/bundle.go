package file

import (
	"archive/zip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"path"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// A bundle is runs in one file, to be taken elsewhere: a ZIP archive of a list, bundle.json, and the
// JSON of every run, runs/UUID.json. Nothing else may be in it but the folder runs/ itself.

const (
	bundleList    = "bundle.json"
	bundleVersion = 1
	// maxBundleRuns and maxInflation bound what a small file may make a reader do. The JSON of
	// readings deflates to a fifth or a tenth; one that repeats a single row for hours to a hundredth.
	maxBundleRuns = 100_000
	maxInflation  = 400
	slack         = 1 << 20 // bytes that may come out of any file whatever its size
)

type bundleHead struct {
	Version int         `json:"letthrough_bundle"`
	Made    time.Time   `json:"made"`
	By      string      `json:"by"`
	Runs    []bundleRun `json:"runs"`
}

type bundleRun struct {
	UUID string `json:"uuid"`
	Unit string `json:"unit"`
	File string `json:"file"`
}

// WriteBundle writes runs into one file. by names the program and its version.
func WriteBundle(w io.Writer, by string, recordings iter.Seq2[trace.Recording, error]) error {
	z := zip.NewWriter(w)
	head := bundleHead{Version: bundleVersion, Made: time.Now().UTC().Truncate(time.Second), By: by, Runs: []bundleRun{}}
	seen := map[string]bool{}
	for rec, err := range recordings {
		if err != nil {
			return err
		}
		if seen[rec.UUID] {
			continue
		}
		seen[rec.UUID] = true
		r := bundleRun{UUID: rec.UUID, Unit: rec.Start.Unit.Name, File: "runs/" + rec.UUID + ".json"}
		f, err := z.Create(r.File)
		if err != nil {
			return fmt.Errorf("write bundle: %w", err)
		}
		if err := WriteJSON(f, rec, 0); err != nil {
			return err
		}
		head.Runs = append(head.Runs, r)
	}
	f, err := z.Create(bundleList)
	if err == nil {
		e := json.NewEncoder(f)
		e.SetIndent("", "  ")
		err = e.Encode(head)
	}
	if err = errors.Join(err, z.Close()); err != nil {
		return fmt.Errorf("write bundle: %w", err)
	}
	return nil
}

// readBundle finds the runs of a bundle after it has looked at every name and size in it.
func readBundle(r io.ReaderAt, size int64, name string) ([]jsonSource, error) {
	bad := func(want, got string, err error) error {
		return &Error{File: name, Want: want, Got: got, Err: err, Hint: "ask for the bundle again"}
	}
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, bad("want a whole bundle", "one that is cut short or damaged ("+err.Error()+")", err)
	}
	if len(z.File) > maxBundleRuns+2 {
		return nil, bad(fmt.Sprintf("want at most %d runs", maxBundleRuns), fmt.Sprint(len(z.File)), nil)
	}
	files, most := map[string]*zip.File{}, uint64(size)*maxInflation+slack
	total := uint64(0)
	for _, f := range z.File {
		if f.Name == "runs/" && f.Mode().IsDir() && f.UncompressedSize64 == 0 {
			continue // whoever unpacked a bundle and packed it again has the folder in it
		}
		if err := checkBundleName(f); err != nil {
			return nil, bad("want "+bundleList+" and runs/UUID.json and nothing else in a bundle", quoted([]byte(f.Name)), err)
		}
		if files[f.Name] != nil {
			return nil, bad("want every name once", quoted([]byte(f.Name))+" twice", nil)
		}
		files[f.Name] = f
		if total += f.UncompressedSize64; f.UncompressedSize64 > most || total > most {
			return nil, bad(fmt.Sprintf("want a bundle of %d bytes to hold at most %d", size, most), "more: such a file would fill the disk", nil)
		}
	}
	head, err := readBundleHead(files[bundleList], name)
	if err != nil {
		return nil, err
	}
	var out []jsonSource
	listed := map[string]bool{}
	for _, run := range head.Runs {
		f := files[run.File]
		if f == nil || run.File == bundleList || listed[run.File] {
			return nil, bad("want every run of the list once in the bundle", quoted([]byte(run.File)), nil)
		}
		listed[run.File] = true
		out = append(out, jsonSource{name: name + ", " + run.File, open: func() (io.ReadCloser, error) { return openEntry(f, name) }})
	}
	if len(listed) != len(files)-1 {
		return nil, bad(fmt.Sprintf("want %d runs, as its list says", len(listed)), fmt.Sprint(len(files)-1), nil)
	}
	return out, nil
}

// checkBundleName refuses whatever this program would not have written: names that climb out of a
// folder, folders, links.
func checkBundleName(f *zip.File) error {
	switch {
	case !f.Mode().IsRegular():
		return errors.New("no ordinary file")
	case f.Name == bundleList:
		return nil
	case path.Clean(f.Name) != f.Name || strings.ContainsAny(f.Name, "\\:") || path.IsAbs(f.Name) || strings.HasPrefix(f.Name, ".."):
		return errors.New("a name that leads elsewhere")
	case path.Dir(f.Name) != "runs" || path.Ext(f.Name) != ".json":
		return errors.New("a name that no bundle has")
	}
	return nil
}

func readBundleHead(f *zip.File, name string) (head bundleHead, err error) {
	if f == nil {
		return head, &Error{File: name, Want: "want a bundle with a list of its runs, " + bundleList, Got: "none"}
	}
	r, err := openEntry(f, name)
	if err != nil {
		return head, err
	}
	defer r.Close()
	b, err := readAtMost(r, name+", "+bundleList, 256*maxBundleRuns)
	if err != nil {
		return head, err
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return head, &Error{File: name + ", " + bundleList, Want: "want the list of a bundle", Got: err.Error(), Err: err}
	}
	if head.Version != bundleVersion {
		return head, &Error{File: name + ", " + bundleList, Want: fmt.Sprintf("want letthrough_bundle %d", bundleVersion), Got: fmt.Sprint(head.Version),
			Hint: "read it with the version of the program that wrote it"}
	}
	return head, nil
}

// openEntry opens one file of a bundle; no more comes out of it than its size says.
func openEntry(f *zip.File, name string) (io.ReadCloser, error) {
	r, err := f.Open()
	if err != nil {
		return nil, &Error{File: name + ", " + f.Name, Want: "want a file packed by stored or deflate", Got: err.Error(), Err: err}
	}
	return struct {
		io.Reader
		io.Closer
	}{io.LimitReader(r, int64(min(f.UncompressedSize64, 1<<62))), r}, nil
}
