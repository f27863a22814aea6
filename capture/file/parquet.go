package file

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"letthrough/capture/trace"

	"github.com/parquet-go/parquet-go"
)

// parquetRow is one sample. The names are those of the columns.
type parquetRow struct {
	Run     int64    `parquet:"run,delta"`
	Unit    string   `parquet:"unit,dict"`
	Channel string   `parquet:"channel,dict"`
	TimeS   float64  `parquet:"time_s"`
	Value   *float64 `parquet:"value,optional"` // null: beyond the range, with no number
	Flags   string   `parquet:"flags,dict"`
}

// parquetGroup is how many rows are gathered before they are written: what the memory must hold.
const parquetGroup = 256 << 10

// WriteParquet writes one row a sample of all channels, in the order of time, which counts from the
// run's own time 0 as in CSV. run is the run's number where it comes from. The footer has the units
// (unit.time_s, unit.current, unit.voltage), the run's UUID and, in zero_s, the instant of its onset.
func WriteParquet(w io.Writer, rec trace.Recording, run int64) error {
	names, options := parquetNames(rec)
	options = append(options, parquet.Compression(&parquet.Zstd), parquet.MaxRowsPerRowGroup(parquetGroup),
		parquet.CreatedBy("letthrough", rec.Start.Version, ""))
	p := parquet.NewGenericWriter[parquetRow](w, options...)
	const most = 4096
	rows, values := make([]parquetRow, 0, most), make([]float64, most)
	flush := func() error {
		if _, err := p.Write(rows); err != nil {
			return fmt.Errorf("write parquet: %w", err)
		}
		rows = rows[:0]
		return nil
	}
	for b, err := range rec.Batches {
		if err != nil {
			return err
		}
		name := names[b.Channel]
		for _, s := range b.Samples {
			if math.IsNaN(s.Value) {
				continue
			}
			row := parquetRow{Run: run, Unit: rec.Start.Unit.Name, Channel: name, TimeS: s.At(), Flags: flagWords(s.Flags)}
			if !math.IsInf(s.Value, 0) {
				row.Value = &values[len(rows)]
				*row.Value = s.Value
			}
			if rows = append(rows, row); len(rows) == most {
				if err := flush(); err != nil {
					return err
				}
			}
		}
	}
	if err := flush(); err != nil {
		return err
	}
	if err := p.Close(); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	return nil
}

// parquetNames names the channels: the first of a quantity as the quantity, others after their
// instrument. The options say the units of each and which run it is.
func parquetNames(rec trace.Recording) (map[trace.Channel]string, []parquet.WriterOption) {
	first := firstOfEach(rec.Channels)
	names := map[trace.Channel]string{}
	options := []parquet.WriterOption{
		parquet.KeyValueMetadata("unit.time_s", "s"),
		parquet.KeyValueMetadata("unit.current", trace.Current.Unit()),
		parquet.KeyValueMetadata("unit.voltage", trace.Voltage.Unit()),
		parquet.KeyValueMetadata("uuid", rec.UUID),
		parquet.KeyValueMetadata("zero_s", strconv.FormatFloat(float64(rec.ZeroNS())/1e9, 'f', -1, 64)),
	}
	for _, c := range rec.Channels {
		names[c] = c.Quantity.String()
		if first[c.Quantity] != c {
			names[c] = c.Instrument + ":" + c.Quantity.String()
			options = append(options, parquet.KeyValueMetadata("unit."+names[c], c.Quantity.Unit()))
		}
	}
	return names, options
}

// flagWords writes flags as the CSV does.
func flagWords(f trace.Flags) string {
	var words []string
	if f&trace.Over != 0 {
		words = append(words, overWord)
	}
	if f&trace.Gap != 0 {
		words = append(words, gapWord)
	}
	return strings.Join(words, " ")
}
