package record

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// An export is a folder: job.json, runs/NAME.jsonl, photos/HASH, checks.csv and traces/*.csv for a person's spreadsheet, and
// manifest.json with the SHA-256 of every file. Import reads the JSON and the photos; the CSV files are copies.
const exportForm = "benchwarden job export 1"

type manifest struct {
	Form  string            `json:"form"`
	Job   string            `json:"job"`
	Files map[string]string `json:"files"` // SHA-256 by path
}

type exported struct {
	Job     Job      `json:"job"`
	Words   string   `json:"words"` // what the job is found by
	Entries []Entry  `json:"entries"`
	Runs    []string `json:"runs"` // in their order
}

// Export writes a job into a new or empty folder.
func (b *Book) Export(ctx context.Context, id, folder string) error {
	j, err := b.Job(ctx, id)
	if err != nil {
		return err
	}
	if held, err := os.ReadDir(folder); err == nil && len(held) > 0 {
		return fmt.Errorf("export: %s is not empty; name a new folder", folder)
	}
	w := &exporter{folder: folder, manifest: manifest{Form: exportForm, Job: j.ID, Files: map[string]string{}}}
	all := exported{Job: j}
	if all.Entries, err = b.Entries(ctx, j.ID); err != nil {
		return err
	}
	all.Job.Entries = len(all.Entries)
	err = b.db.QueryRowContext(ctx, `SELECT words FROM job_text WHERE rowid = (SELECT number FROM job WHERE id = ?)`, j.ID).Scan(&all.Words)
	if err != nil {
		return b.explain(err)
	}
	heads, err := b.Runs(ctx, j.ID)
	if err != nil {
		return err
	}
	checks := [][]string{{"run", "script", "check", "subject", "outcome", "reading", "low", "high", "uncertainty", "unit", "reason", "instrument"}}
	for _, h := range heads {
		all.Runs = append(all.Runs, h.Name)
		_, events, err := b.Run(ctx, h.Name)
		if err != nil {
			return err
		}
		w.run(h, events)
		checks = append(checks, checkRows(h, events)...)
	}
	w.csv("checks.csv", checks)
	for _, e := range all.Entries {
		for _, hash := range photosOf(e) {
			p, err := b.Photo(ctx, hash)
			if err != nil {
				return err
			}
			w.file("photos/"+hash, p.Data)
		}
	}
	w.json("job.json", all)
	return w.finish()
}

// photosOf are the hashes of the pictures that an entry names.
func photosOf(e Entry) (hashes []string) {
	var body struct {
		Photos []struct {
			SHA256 string `json:"sha256"`
		} `json:"photos"`
	}
	_ = json.Unmarshal(e.Body, &body) // an entry without pictures may be of any form
	for _, p := range body.Photos {
		hashes = append(hashes, p.SHA256)
	}
	return hashes
}

// exporter writes files and keeps the first fault.
type exporter struct {
	folder   string
	manifest manifest
	err      error
}

func (w *exporter) file(name string, data []byte) {
	if w.err != nil {
		return
	}
	path := filepath.Join(w.folder, filepath.FromSlash(name))
	if w.err = os.MkdirAll(filepath.Dir(path), 0o750); w.err == nil {
		w.err = os.WriteFile(path, data, 0o640)
	}
	w.manifest.Files[name] = digest(data)
}

func (w *exporter) json(name string, v any) {
	data, err := json.MarshalIndent(v, "", "  ")
	w.err = errors.Join(w.err, err)
	w.file(name, append(data, '\n'))
}

func (w *exporter) csv(name string, rows [][]string) {
	var out bytes.Buffer
	c := csv.NewWriter(&out)
	w.err = errors.Join(w.err, c.WriteAll(rows))
	w.file(name, out.Bytes())
}

func (w *exporter) finish() error {
	w.json("manifest.json", w.manifest)
	if w.err != nil {
		return fmt.Errorf("export: %w", w.err)
	}
	return nil
}

func (w *exporter) run(h Head, events []event.Event) {
	var out bytes.Buffer
	encoder := json.NewEncoder(&out)
	traces := 0
	for _, e := range events {
		w.err = errors.Join(w.err, encoder.Encode(e))
		if t, ok := e.Body.(event.Trace); ok {
			traces++
			w.trace(fmt.Sprintf("traces/%s-%03d-%s.csv", h.Name, traces, plainName(t.Name)), t)
		}
	}
	// A torn last line is no event; its length is kept by writing as many bytes without an end of line.
	out.WriteString(strings.Repeat("?", h.Torn))
	w.file("runs/"+h.Name+".jsonl", out.Bytes())
}

func plainName(name string) string {
	return strings.Map(func(r rune) rune {
		if (r >= 'a' && r <= 'z') || (r >= 'A' && r <= 'Z') || (r >= '0' && r <= '9') || r == '.' || r == '_' {
			return r
		}
		return '-'
	}, name)
}

func checkRows(h Head, events []event.Event) (rows [][]string) {
	for _, e := range events {
		c, ok := e.Body.(event.Check)
		if !ok {
			continue
		}
		cells := []string{h.Name, h.Script, c.Name, c.Subject, string(c.Outcome)}
		unit := ""
		for _, v := range []*quantity.Value{c.Reading, c.Low, c.High, c.Uncertainty} {
			if v == nil {
				cells = append(cells, "")
				continue
			}
			cells = append(cells, strconv.FormatFloat(v.Number, 'g', -1, 64))
			unit = v.Unit.String()
		}
		rows = append(rows, append(cells, unit, c.Reason, c.Instrument))
	}
	return rows
}

// Import takes an export in, once: what is in the book already is left as it is, and what differs is refused as a whole.
// It tells how many entries and runs were new.
func (b *Book) Import(ctx context.Context, folder string) (j Job, entries, runs int, err error) {
	all, files, err := readExport(folder)
	if err != nil {
		return j, 0, 0, err
	}
	known, err := b.Entries(ctx, all.Job.ID)
	if err != nil {
		return j, 0, 0, err
	}
	for i := range min(len(known), len(all.Entries)) {
		if entryDigest(all.Job.ID, known[i]) != entryDigest(all.Job.ID, all.Entries[i]) {
			return j, 0, 0, fmt.Errorf("import %s: job %s has another entry %d here (%s, by %s): it was continued on both machines; nothing was taken",
				folder, all.Job.ID, i+1, known[i].Kind, known[i].By)
		}
	}
	if len(all.Entries) > len(known) {
		if entries, err = b.importEntries(ctx, all, len(known), files); err != nil {
			return j, 0, 0, fmt.Errorf("import %s: %w", folder, err)
		}
	}
	for _, name := range all.Runs {
		held, err := b.hasRun(ctx, name)
		if err != nil {
			return j, entries, runs, err
		}
		path := "runs/" + name + ".jsonl"
		run, err := read(filepath.Join(folder, path), bytes.NewReader(files[path]))
		if err != nil {
			return j, entries, runs, fmt.Errorf("import: %w", err)
		}
		if held {
			continue
		}
		if err := b.takeRun(ctx, run); err != nil {
			return j, entries, runs, fmt.Errorf("import %s: run %s: %w", folder, name, err)
		}
		runs++
	}
	j, err = b.Job(ctx, all.Job.ID)
	return j, entries, runs, err
}

func (b *Book) importEntries(ctx context.Context, all exported, known int, files map[string][]byte) (int, error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, b.explain(err)
	}
	defer func() { _ = tx.Rollback() }() // after a commit it does nothing
	if known == 0 {
		if err := insertJob(ctx, tx, all.Job); err != nil {
			return 0, b.explain(err)
		}
	}
	for _, e := range all.Entries[known:] {
		var photos []Photo
		for _, hash := range photosOf(e) {
			data := files["photos/"+hash]
			kind := "image/png"
			if bytes.HasPrefix(data, []byte{0xff, 0xd8}) { // a JPEG begins so (ITU-T T.81, B.1.1.3: SOI)
				kind = "image/jpeg"
			}
			if digest(data) != hash {
				return 0, fmt.Errorf("photo %s is not there, or is another", hash)
			}
			photos = append(photos, NewPhoto(kind, data))
		}
		if err := errors.Join(insertPhotos(ctx, tx, photos), insertEntry(ctx, tx, all.Job.ID, e)); err != nil {
			return 0, b.explain(err)
		}
	}
	if err := setHead(ctx, tx, all.Job, all.Words); err != nil {
		return 0, b.explain(err)
	}
	return len(all.Entries) - known, b.explain(tx.Commit())
}

// readExport reads an export and holds every file against the manifest.
func readExport(folder string) (all exported, files map[string][]byte, err error) {
	text, err := os.ReadFile(filepath.Join(folder, "manifest.json"))
	if err != nil {
		return all, nil, fmt.Errorf("import: %w; name the folder that records export made", err)
	}
	var m manifest
	if err := json.Unmarshal(text, &m); err != nil || m.Form != exportForm {
		return all, nil, errors.Join(fmt.Errorf("import %s: manifest.json is not that of a job export", folder), err)
	}
	files = map[string][]byte{}
	for name, want := range m.Files {
		if !fs.ValidPath(name) {
			return all, nil, fmt.Errorf("import %s: manifest.json: %q is no path within the export", folder, name)
		}
		data, err := os.ReadFile(filepath.Join(folder, filepath.FromSlash(name)))
		if err != nil {
			return all, nil, fmt.Errorf("import: %w; the export is not whole, nothing was taken", err)
		}
		if digest(data) != want {
			return all, nil, fmt.Errorf("import: %s was changed or damaged after it was exported (its SHA-256 is another than in manifest.json); nothing was taken, copy the export again",
				filepath.Join(folder, name))
		}
		files[name] = data
	}
	if err := json.Unmarshal(files["job.json"], &all); err != nil {
		return all, nil, fmt.Errorf("import %s: job.json: %w", folder, err)
	}
	if all.Job.ID == "" || all.Job.ID != m.Job || all.Job.Entries != len(all.Entries) {
		return all, nil, fmt.Errorf("import %s: job.json does not hold the job that manifest.json names", folder)
	}
	for i, e := range all.Entries {
		all.Entries[i].Body = compacted(e.Body)
		if e.N != i+1 {
			return all, nil, fmt.Errorf("import %s: job.json: entry %d is missing", folder, i+1)
		}
	}
	for _, name := range all.Runs {
		if files["runs/"+name+".jsonl"] == nil {
			return all, nil, fmt.Errorf("import %s: run %s is missing", folder, name)
		}
	}
	return all, files, nil
}

// compacted is JSON as it was before it was indented for reading.
func compacted(body json.RawMessage) json.RawMessage {
	var out bytes.Buffer
	if json.Compact(&out, body) != nil {
		return body
	}
	return out.Bytes()
}
