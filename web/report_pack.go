package web

import (
	"bytes"
	"cmp"
	"context"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"maps"
	"math"
	"slices"
	"strconv"

	"letthrough/capture/assess"
	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/capture/words"
)

// A report as a file carries everything in itself: its style, what it says as JSON, and the runs that its
// table shows as a bundle, so that whoever doubts a figure can derive it again (letthrough verify).
const (
	// mostReportBytes is what a report may weigh; leastCarried how many samples it carries whatever they weigh.
	mostReportBytes = 2 << 20
	leastCarried    = 2000
)

// WriteReport writes the whole file. derive makes the figures of a thinned run.
func WriteReport(ctx context.Context, w io.Writer, files fs.FS, st ReportStore, rep Report, derive Derive) error {
	counts, total, err := rep.carriedRuns(ctx, st)
	if err != nil {
		return err
	}
	for most := total; ; {
		bundle, carried, err := rep.pack(ctx, st, derive, counts, most)
		if err != nil {
			return err
		}
		rep.Carried = carried
		page, err := rep.page(files, bundle)
		if err != nil {
			return err
		}
		if len(page) < mostReportBytes || most < leastCarried {
			_, err = w.Write(page)
			return err
		}
		// What does not weigh anything less when samples are left out, is some of it.
		most = int64(0.9 * float64(most) * mostReportBytes / float64(len(page)))
	}
}

// carriedRuns are those that the table's figures stand on, each once, with how many samples they have.
func (rep *Report) carriedRuns(ctx context.Context, st ReportStore) (counts map[int64]int64, total int64, err error) {
	counts = map[int64]int64{}
	for _, u := range rep.Units {
		for _, f := range u.Figures {
			if _, twice := counts[f.Run]; twice {
				continue
			}
			run, err := st.Run(ctx, f.Run)
			if err != nil {
				return nil, 0, err
			}
			counts[f.Run] = run.Samples
			total += run.Samples
		}
	}
	return counts, total, nil
}

// share is how many samples each run may have so that all together have at most so many: the small ones stay
// whole.
func share(counts map[int64]int64, most int64) int64 {
	sizes := slices.Sorted(maps.Values(counts))
	for i, n := range sizes {
		left := int64(len(sizes) - i)
		if n*left > most {
			return most / left
		}
		most -= n
	}
	return math.MaxInt64
}

// pack makes a bundle of the runs that the report stands on, with at most so many samples.
func (rep *Report) pack(ctx context.Context, st ReportStore, derive Derive, counts map[int64]int64, most int64) ([]byte, []CarriedRun, error) {
	each := share(counts, most)
	carried := []CarriedRun{}
	var packed bytes.Buffer
	err := file.WriteBundle(&packed, rep.By, func(yield func(trace.Recording, error) bool) {
		for _, id := range slices.Sorted(maps.Keys(counts)) {
			rec, err := st.Recording(ctx, id)
			c := CarriedRun{Run: id, UUID: rec.UUID, Samples: counts[id], Of: counts[id]}
			if err == nil && counts[id] > each {
				rec, err = rep.thin(ctx, st, rec, &c, each, derive)
			}
			carried = append(carried, c)
			if !yield(rec, err) || err != nil {
				return
			}
		}
	})
	return packed.Bytes(), carried, err
}

// sideThin is how much thinner than the current the other channels are, as long as that is enough.
const sideThin = 20

// thin leaves out samples until about so many are left: of the voltage first, which the table does not show,
// then of the current.
func (rep *Report) thin(ctx context.Context, st ReportStore, rec trace.Recording, c *CarriedRun, most int64, derive Derive) (trace.Recording, error) {
	channels := map[trace.Channel][]trace.Sample{}
	current := int64(0)
	for b, err := range rec.Batches {
		if err != nil {
			return rec, err
		}
		channels[b.Channel] = append(channels[b.Channel], b.Samples...)
		if b.Channel.Quantity == trace.Current {
			current += int64(len(b.Samples))
		}
	}
	every := 1
	if rest := (c.Of - current) / sideThin; current+rest > most {
		every = int(math.Ceil(float64(current) / float64(max(most-rest, 1))))
		extremes, err := extremesOf(ctx, st, c.Run)
		if err != nil {
			return rec, err
		}
		c.Extremes = extremes
	}
	var batches []trace.Batch
	c.Samples = 0
	for _, ch := range rec.Channels {
		n := every
		if ch.Quantity != trace.Current {
			n *= sideThin
		}
		samples := thinnedChannel(channels[ch], n)
		c.Samples += int64(len(samples))
		batches = append(batches, inPieces(ch, samples)...)
	}
	slices.SortStableFunc(batches, func(a, b trace.Batch) int { return cmp.Compare(a.Samples[0].AtNS, b.Samples[0].AtNS) })
	rec.Batches = func(yield func(trace.Batch, error) bool) {
		for _, b := range batches {
			if !yield(b, nil) {
				return
			}
		}
	}
	rec.Earlier, rec.Shown = nil, nil
	var err error
	rec.End.Derivation, err = derive(rec.End.Settings, trace.EditedMarks(rec.Marks, rec.Edits), rec.Batches)
	for _, u := range rep.Units {
		for _, f := range u.Figures {
			if got, ok := rec.End.Derivation.Figures.Get(f.Key); f.Run == c.Run && (!ok || !agrees(withKey(f), got, true)) {
				c.TooThin = append(c.TooThin, f.Key)
			}
		}
	}
	return rec, err
}

// thinColumns is how many columns a thinned run's picture has.
const thinColumns = 600

// thinnedChannel takes every so many-th sample and what is flagged. An even thinning leaves means and integrals
// where they were, which picking out the extremes does not: those stand beside it.
func thinnedChannel(all []trace.Sample, every int) (out []trace.Sample) {
	for i, s := range all {
		if i%every == 0 || s.Flags != 0 || i == len(all)-1 {
			out = append(out, s)
		}
	}
	return out
}

// extremesOf is a run's current as columns of its smallest and largest values: what an even thinning loses.
func extremesOf(ctx context.Context, st ReportStore, id int64) ([]Extreme, error) {
	cols, err := st.Columns(ctx, id, math.NaN(), math.NaN(), thinColumns)
	if err != nil {
		return nil, err
	}
	var out []Extreme
	for _, c := range cols {
		for i := range c.T {
			if c.Quantity == trace.Current && !math.IsInf(c.Min[i], 0) && !math.IsInf(c.Max[i], 0) {
				out = append(out, Extreme{digits(c.T[i]), digits(c.Min[i]), digits(c.Max[i])})
			}
		}
	}
	return out, nil
}

// digits rounds to what a picture can show.
func digits(v float64) float64 {
	w, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 5, 64), 64)
	return w
}

// inPieces cuts a channel into batches, so that those of several can be put in order of time.
func inPieces(ch trace.Channel, samples []trace.Sample) (out []trace.Batch) {
	const piece = 64
	for len(samples) > 0 {
		n := min(piece, len(samples))
		out = append(out, trace.Batch{Channel: ch, Samples: samples[:n]})
		samples = samples[n:]
	}
	return out
}

// reportPage is what the file's template sees.
type reportPage struct {
	Report
	Style  template.CSS
	JSON   template.JS
	Bundle string
	File   bool
}

// page makes the file of a report.
func (rep Report) page(files fs.FS, bundle []byte) ([]byte, error) {
	var style bytes.Buffer
	for _, name := range []string{"tokens", "base", "parts", "charts", "report"} {
		css, err := fs.ReadFile(files, "styles/"+name+".css")
		if err != nil {
			return nil, fmt.Errorf("report: %w", err)
		}
		style.Write(css)
	}
	said, err := json.Marshal(rep)
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	t, err := template.New("report").Funcs(reportFuncs).ParseFS(files, "templates/parts.html", "templates/report_body.html", "templates/report_file.html")
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	var out bytes.Buffer
	// json.Marshal escapes <, > and &, so that nothing in it can end the element it stands in.
	err = t.ExecuteTemplate(&out, "report-file", reportPage{Report: rep, Style: template.CSS(style.String()), JSON: template.JS(said),
		Bundle: base64.RawURLEncoding.EncodeToString(bundle), File: true})
	return out.Bytes(), err
}

var reportFuncs = template.FuncMap{"num": plainNumber, "waveform": words.Waveform, "count": reportCount, "verdicts": reportVerdicts}

func reportCount(m map[string]int, v assess.Verdict) int { return m[string(v)] }

func reportVerdicts() []assess.Verdict {
	return []assess.Verdict{assess.Pass, assess.Caution, assess.Fail, assess.NotDetermined}
}

// WriteReportCSV writes the table: one row for each output of a unit.
func WriteReportCSV(w io.Writer, rep Report) error {
	c := csv.NewWriter(w)
	columns := []struct{ head, column string }{{"long", "long"}, {"peak", "peak"}, {"trip", "trip"}, {"let_through", "let"}, {"retry_period", "period"}, {"heating_current", "heat"}}
	head := []string{"unit", "output", "plate", "behaviour", "verdict", "reason"}
	for _, col := range columns {
		head = append(head, col.head+"_figure", col.head+"_value", col.head+"_u", col.head+"_bound", col.head+"_text", col.head+"_run")
	}
	if err := c.Write(head); err != nil {
		return err
	}
	for _, u := range rep.Units {
		row := []string{u.Unit, u.Output, u.Plate, string(u.Behaviour), string(u.Verdict), u.Say}
		for _, col := range columns {
			f := u.Cell(col.column)
			if f == nil {
				row = append(row, "", "", "", "", "", "")
				continue
			}
			row = append(row, f.Key, strconv.FormatFloat(f.Figure.Value, 'g', -1, 64), strconv.FormatFloat(f.Figure.U, 'g', -1, 64), string(f.Figure.Bound), f.Figure.Text, strconv.FormatInt(f.Run, 10))
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}
