package report

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
)

func (w *writer) replaced() error {
	t := Table{Columns: []Column{{"part", 34}, {"quantity", 9}, {"why", 32}, {"by", 10}, {"when", 15}}}
	for _, e := range w.Entries {
		if e.Kind != job.Replaced {
			continue
		}
		var r job.Replacement
		if err := json.Unmarshal(e.Body, &r); err != nil {
			return err
		}
		t.Rows = append(t.Rows, row(r.Part, fmt.Sprint(r.Quantity), r.Why, e.By, clock(e.At)))
	}
	w.doc.add(Heading{Level: 1, Text: "Replaced parts"})
	none := "Nothing is recorded as replaced."
	if slices.ContainsFunc(w.Entries, func(e record.Entry) bool { return e.Kind == job.Fitted }) {
		none = "Nothing but the power devices, which stand in the fitting record."
	}
	w.doc.add(orNone(t, none))
	return nil
}

func orNone(t Table, none string) Block {
	if len(t.Rows) == 0 {
		return Text{Text: none}
	}
	return t
}

func (w *writer) standIns() error {
	in, out, where := map[string]int{}, map[string]int{}, map[string]string{}
	for _, e := range w.Entries {
		if e.Kind != job.StandIn {
			continue
		}
		var m job.Move
		if err := json.Unmarshal(e.Body, &m); err != nil {
			return err
		}
		if m.Count > 0 {
			in[m.Name] += m.Count
			where[m.Name] = cmp.Or(where[m.Name], m.Where)
		} else {
			out[m.Name] -= m.Count
		}
	}
	t := Table{Columns: []Column{{"stand-in", 25}, {"put in", 8}, {"taken out", 9}, {"still in", 9}, {"where", 49}}}
	for _, name := range slices.Sorted(maps.Keys(in)) {
		t.Rows = append(t.Rows, row(strings.ReplaceAll(name, "_", " "), fmt.Sprint(in[name]), fmt.Sprint(out[name]), fmt.Sprint(in[name]-out[name]), where[name]))
	}
	w.doc.add(Heading{Level: 1, Text: "Stand-ins"}, orNone(t, "None were counted in."))
	return nil
}

func (w *writer) decisions() error {
	for _, e := range w.Entries {
		switch e.Kind {
		case job.Released:
			var r job.Release
			if err := json.Unmarshal(e.Body, &r); err != nil {
				return err
			}
			w.doc.add(Heading{Level: 1, Text: "Release to fit"}, append(Facts{{"Released by", e.By + ", " + clock(e.At)}, {"On the runs", cmp.Or(strings.Join(r.Runs, ", "), "none")}},
				set(r.Override, r.Missing)...))
		case job.Fitted:
			var f job.Fitting
			if err := json.Unmarshal(e.Body, &f); err != nil {
				return err
			}
			w.doc.add(Heading{Level: 1, Text: "Fitting record"}, append(Facts{{"Recorded by", e.By + ", " + clock(e.At)}, {"Tab insulation, lowest", f.Insulation.String()},
				{"Torque", f.Torque}, {"Paste or pad", f.Paste}, {"Electrolytics", f.Electrolytics}, {"Stand-ins seen out", yesNo(f.StandInsOut)}}, set(f.Override, f.Missing)...))
			t := Table{Columns: []Column{{"position", 25}, {"part", 45}, {"gate to source", 30}}}
			for _, d := range f.Devices {
				t.Rows = append(t.Rows, row(d.Position, d.Part, d.GateSource.String()))
			}
			w.doc.add(orNone(t.withoutEmpty(), "No device is named."))
		}
	}
	return nil
}

// set are the facts of a decision that was made although something was missing.
func set(override string, missing []string) Facts {
	if override == "" && len(missing) == 0 {
		return nil
	}
	return Facts{{"OVERRIDE, because", override}, {"Without", cmp.Or(strings.Join(missing, "; "), "nothing was missing")}}
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// history is who did what, with the photos.
func (w *writer) history(ctx context.Context) error {
	t := Table{Columns: []Column{{"", 5}, {"when", 16}, {"by", 13}, {"what", 18}, {"in words", 48}}}
	var photos []Photo
	for _, e := range w.Entries {
		var b struct {
			Text, Part, Why, For, Name, Where, Stage, Outcome, Symptom, Override, Reason string
			Count, Quantity                                                              int
			Devices                                                                      []job.Device
			Photos                                                                       []job.Picture
		}
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return err
		}
		words := lines(b.Text, b.Symptom, b.Stage, b.Outcome)
		if b.Count != 0 {
			words = append(words, fmt.Sprintf("%+d %s", b.Count, strings.ReplaceAll(b.Name, "_", " ")), b.Where)
		}
		if b.Quantity != 0 {
			words = append(words, fmt.Sprintf("%d × %s", b.Quantity, b.Part))
		}
		if n := len(b.Devices); n > 0 {
			words = append(words, fmt.Sprintf("%d power devices", n))
		}
		if b.For != "" {
			words = append(words, "for "+b.For)
		}
		switch reason := cmp.Or(b.Override, b.Reason); {
		case reason != "" && e.Kind == job.Declined:
			words = append(words, reason)
		case reason != "":
			words = append(words, "OVERRIDE: "+reason)
		}
		words = append(words, b.Why)
		for _, p := range b.Photos {
			stored, err := w.from.Photo(ctx, p.SHA256)
			if err != nil {
				return err
			}
			words = append(words, "photo "+p.Name)
			caption := fmt.Sprintf("%s (entry %d; the whole picture is in the record, SHA-256 %.12s)", p.Name, e.N, p.SHA256)
			small, err := printable(stored.Data)
			if err != nil {
				words = append(words, fmt.Sprintf("which cannot be printed: %v", err))
				continue
			}
			photos = append(photos, Photo{small, caption})
		}
		t.Rows = append(t.Rows, row(fmt.Sprint(e.N), clock(e.At), e.By, e.Kind, strings.Join(lines(words...), "; ")))
	}
	w.doc.add(Heading{Level: 1, Text: "Who did what"}, t)
	for _, p := range photos {
		w.doc.add(p)
	}
	return nil
}
