package web

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// settingField is a setting of the derivation that can be tried out on the page.
type settingField struct {
	Key, Label, Unit string
	Kind             string // number, optional (empty: not stated) or text
	Value            string
	Hint             string
	Options          []choice
	Wide             bool
}

// settingFields are the settings that change figures, as the current derivation has them.
func settingFields(run store.Run) []settingField {
	s := run.DerivedWith
	number := func(key, label, unit string, v float64, hint string) settingField {
		f := settingField{Key: key, Label: label, Unit: unit, Kind: "number", Hint: hint}
		if v != 0 {
			f.Value = strconv.FormatFloat(v, 'g', 12, 64)
		}
		return f
	}
	waveform := settingField{Key: "waveform", Label: "Output waveform", Kind: "text", Value: string(s.Waveform), Hint: from(s.Waveform == run.Plate.Waveform, "from the unit’s plate")}
	waveform.Options = append(waveform.Options, choice{"", "not stated"})
	for _, w := range trace.Waveforms {
		waveform.Options = append(waveform.Options, choice{string(w), words.Waveform(w)})
	}
	averaging := settingField{Key: "averaging_s", Label: "The meter averages over", Unit: "s", Kind: "optional", Hint: "empty: not stated; 0: not at all"}
	if s.AveragingS != nil {
		averaging.Value = strconv.FormatFloat(*s.AveragingS, 'g', 12, 64)
	}
	accuracy := settingField{Key: "accuracy", Label: "Accuracy of the instrument", Kind: "text", Hint: "as in its manual, such as 0.8%+3", Wide: true}
	if s.Accuracy != (trace.Accuracy{}) {
		accuracy.Value = s.Accuracy.String()
	}
	out := []settingField{
		number("rated_current_a", "Rated current", "A", s.RatedCurrentA, from(s.RatedCurrentA == run.Plate.RatedCurrentA, "from the unit’s plate")+"; the onset is sought from 5 % of it"),
		waveform,
		number("hold_s", "Hold", "s", s.HoldS, "empty: to the end of the trace"),
		averaging,
		number("resolution_a", "One display count", "A", s.ResolutionA, "empty: found in the readings"),
		number("full_scale_a", "Most the range shows", "A", s.FullScaleA, "empty: not stated"),
	}
	switch run.Procedure {
	case trace.Steps:
		out = append(out, number("dwell_s", "Each stair held for", "s", s.DwellS, "empty: as the stairs themselves"))
	case trace.Short, trace.Overload:
		out = append(out, number("prospective_current_a", "Prospective current", "A", s.ProspectiveA, "the most it can drive through this rig; empty: not stated"))
	}
	return append(out, accuracy)
}

func from(same bool, where string) string {
	if same {
		return where
	}
	return "not as on the plate"
}

// derivationRow is one derivation that was kept of a run.
type derivationRow struct {
	ID       int64
	When     string
	How      string
	Differs  string // in which settings from the current one
	Settings string // as JSON for the form
	Current  bool
	Shown    bool
}

// derivationRows lists what was kept, the newest first.
func derivationRows(run store.Run, shown int64) []derivationRow {
	var rows []derivationRow
	for _, d := range run.Derivations {
		b, err := json.Marshal(d.Settings)
		if err != nil {
			continue // settings that no form could hold
		}
		row := derivationRow{ID: d.ID, When: d.Made.Format("2 January 2006, 15:04:05"), How: origin(d.Origin), Current: d.Current, Shown: d.ID == shown || shown == 0 && d.Current, Settings: string(b)}
		if !d.Current {
			row.Differs = differing(d.Settings, run.DerivedWith)
		}
		rows = append(rows, row)
	}
	return rows
}

func origin(o string) string {
	switch o {
	case "live":
		return "as it was recorded"
	case "interrupted":
		return "when the cut-short run was closed"
	}
	return "derived again"
}

// differing says in which settings one derivation differs from another.
func differing(a, b trace.Settings) string {
	one, other := settingFacts(store.Run{DerivedWith: a}), settingFacts(store.Run{DerivedWith: b})
	value := func(facts []fact, name string) string {
		i := slices.IndexFunc(facts, func(f fact) bool { return f.Name == name })
		if i < 0 {
			return "not stated"
		}
		return facts[i].Value
	}
	var out []string
	seen := map[string]bool{}
	for _, f := range slices.Concat(one, other) {
		if x, y := value(one, f.Name), value(other, f.Name); x != y && !seen[f.Name] {
			seen[f.Name] = true
			out = append(out, fmt.Sprintf("%s %s", strings.ToLower(f.Name[:1])+f.Name[1:], x))
		}
	}
	if len(a.MarkEdits) != len(b.MarkEdits) {
		out = append(out, fmt.Sprintf("%d marks by hand", len(a.MarkEdits)))
	}
	if len(out) == 0 {
		return "same settings"
	}
	return strings.Join(out, ", ")
}

// changeJSON is one thing that other settings change, in words.
type changeJSON struct {
	Key string `json:"key"`
	Say string `json:"say"`
	Old string `json:"old"`
	New string `json:"new"`
	So  string `json:"so"`
}

// changesOf says what differs between two derivations, and how many figures stay as they are.
func changesOf(was trace.Derivation, with trace.Settings, now trace.Derivation, then trace.Settings) (changes []changeJSON, same int) {
	changes = []changeJSON{}
	if was.Behaviour != now.Behaviour {
		changes = append(changes, changeJSON{"behaviour", "What it does", words.Behaviour(was.Behaviour), words.Behaviour(now.Behaviour), ""})
	}
	for _, def := range trace.Definitions {
		a, had := was.Figures.Get(def.Key)
		b, has := now.Figures.Get(def.Key)
		if !had && !has {
			continue
		}
		old, fresh := "not worked out", "not worked out"
		if had {
			old = words.Sentence(a, with).Text()
		}
		if has {
			fresh = words.Sentence(b, then).Text()
		}
		// Another rating leaves the amperes as they are, and what stands beside them not.
		if x, y := words.TimesRated(a, with), words.TimesRated(b, then); had && has && x != y {
			old, fresh = beside(old, x), beside(fresh, y)
		}
		if old == fresh {
			same++
			continue
		}
		so := words.Change(a, b)
		changes = append(changes, changeJSON{def.Key, def.Say, old, fresh, so})
	}
	if old, fresh := markCount(was.Marks), markCount(now.Marks); old != fresh {
		changes = append(changes, changeJSON{"marks", "Marks", old, fresh, ""})
	}
	return changes, same
}

// beside puts what stands beside a figure behind it.
func beside(figure, more string) string {
	if more == "" {
		return figure
	}
	return figure + ", " + more
}

func markCount(marks []trace.Mark) string {
	n := 0
	for _, m := range marks {
		if !m.Withdrawn {
			n++
		}
	}
	return strconv.Itoa(n)
}
