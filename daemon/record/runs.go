package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// Interrupted is the outcome of a run that was cut off.
const Interrupted = "interrupted"

// Head is what lists show of a run; its events are read with Book.Run.
type Head struct {
	Number    int64     `json:"number"` // in the order in which the book took them
	Name      string    `json:"name"`
	Job       string    `json:"job,omitempty"`
	Seen      int       `json:"seen"` // how many entries the job had when the run began: it is older than every later one
	Bench     string    `json:"bench"`
	Script    string    `json:"script"` // without folder and ending
	Stage     string    `json:"stage"`
	Family    string    `json:"family"`
	Unit      string    `json:"unit"`
	Operator  string    `json:"operator,omitempty"`
	Started   time.Time `json:"started"`
	Ended     time.Time `json:"ended"`   // of an interrupted run: its last event
	Outcome   string    `json:"outcome"` // pass, fail, undecided, tripped, stopped, broken, interrupted
	Simulated bool      `json:"simulated,omitempty"`
	Torn      int       `json:"torn,omitempty"` // bytes of a last line that was cut off in the middle
	Version   string    `json:"version"`
}

// headOf reads a run's head from its events.
func headOf(run Run) (Head, event.RunStarted, error) {
	if len(run.Events) == 0 {
		return Head{}, event.RunStarted{}, errEmpty
	}
	first, last := run.Events[0], run.Events[len(run.Events)-1]
	started, ok := first.Body.(event.RunStarted)
	if !ok {
		return Head{}, started, fmt.Errorf("its first event is a %s event, not the start of a run", first.Kind())
	}
	h := Head{
		Name: first.Run, Job: started.Job, Seen: started.JobEntries, Bench: first.Bench, Script: scriptName(started.Script),
		Stage: started.Stage, Family: started.Family, Unit: started.Unit, Operator: started.Operator, Started: timeOf(instant(first.At)),
		Ended: timeOf(instant(last.At)), Outcome: Interrupted, Simulated: started.Simulated, Torn: run.Torn, Version: started.Version,
	}
	if ended, ok := last.Body.(event.RunEnded); ok {
		h.Outcome = ended.Outcome
	}
	return h, started, nil
}

func scriptName(file string) string { return strings.TrimSuffix(filepath.Base(file), ".star") }

// errEmpty says that a journal has no whole line: the process was killed before the run's first event.
var errEmpty = errors.New("nothing was written")

// Take puts a journal into the book, once: taking it again does nothing. A journal that a living process is still writing is
// left alone, with false.
func (b *Book) Take(ctx context.Context, path string) (bool, error) {
	name := strings.TrimSuffix(filepath.Base(path), ".jsonl")
	if known, err := b.hasRun(ctx, name); known || err != nil {
		return false, err
	}
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	switch err := unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB); {
	case errors.Is(err, unix.EWOULDBLOCK):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("journal %s: %w", path, err)
	}
	run, err := read(path, f)
	if err != nil {
		return false, fmt.Errorf("%w; the journal is left as it is and stands for itself", err)
	}
	err = b.takeRun(ctx, run)
	if errors.Is(err, errEmpty) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", path, err)
	}
	return true, nil
}

func (b *Book) hasRun(ctx context.Context, name string) (known bool, err error) {
	err = b.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM run WHERE name = ?)`, name).Scan(&known)
	return known, b.explain(err)
}

// TakeAll takes every journal of a folder that is not in the book yet, the oldest first: what a killed process left behind. One
// that cannot be taken does not keep the others out. It returns the names of the runs.
func (b *Book) TakeAll(ctx context.Context, folder string) (taken []string, err error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("journals: %w", err)
	}
	var faults []error
	for _, e := range entries { // sorted by name, which begins with the time
		if filepath.Ext(e.Name()) != ".jsonl" {
			continue
		}
		ok, err := b.Take(ctx, filepath.Join(folder, e.Name()))
		if err != nil {
			faults = append(faults, err)
		}
		if ok {
			taken = append(taken, strings.TrimSuffix(e.Name(), ".jsonl"))
		}
	}
	return taken, errors.Join(faults...)
}

func (b *Book) takeRun(ctx context.Context, run Run) error {
	return b.write(ctx, func(tx *sql.Tx) error { return b.putRun(ctx, tx, run) })
}

func (b *Book) putRun(ctx context.Context, tx *sql.Tx, run Run) error {
	h, started, err := headOf(run)
	if err != nil {
		return err
	}
	events := slices.Clone(run.Events)
	texts := []string{started.ScriptText, started.FamilyText}
	started.ScriptText, started.FamilyText = "", "" // kept once for all runs
	events[0].Body = started
	packed, err := pack(events)
	if err != nil {
		return err
	}
	var known bool
	if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM run WHERE name = ?)`, h.Name).Scan(&known); err != nil || known {
		return err
	}
	if h.Job != "" {
		if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM job WHERE id = ?)`, h.Job).Scan(&known); err != nil {
			return err
		}
		if !known {
			return fmt.Errorf("the run belongs to job %s, which is %w; import that job first", h.Job, ErrNone)
		}
	}
	for i, hash := range []string{started.ScriptHash, started.FamilyHash} {
		if texts[i] == "" {
			continue
		}
		if digest([]byte(texts[i])) != hash {
			return fmt.Errorf("the text that it carries has not the hash that it states, %s", hash)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO source VALUES (?, ?) ON CONFLICT DO NOTHING`, hash, deflate([]byte(texts[i]))); err != nil {
			return err
		}
	}
	r, err := tx.ExecContext(ctx, `INSERT INTO run (name, job, seen, bench, script, stage, family, unit, operator, started, ended, outcome, simulated,
		torn, version, script_sha256, family_sha256, events, journal) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		h.Name, sql.NullString{String: h.Job, Valid: h.Job != ""}, h.Seen, h.Bench, h.Script, h.Stage, h.Family, h.Unit, h.Operator, instant(h.Started),
		instant(h.Ended), h.Outcome, h.Simulated, h.Torn, h.Version, started.ScriptHash, started.FamilyHash, len(events), packed)
	if err != nil {
		return err
	}
	if h.Number, err = r.LastInsertId(); err != nil {
		return err
	}
	if h.Simulated && h.Job != "" {
		if _, err := tx.ExecContext(ctx, `UPDATE job SET simulated = 1 WHERE id = ?`, h.Job); err != nil {
			return err
		}
	}
	if err := insertReadings(ctx, tx, h, events); err != nil {
		return err
	}
	return link(ctx, tx, "run", h.Name, runDigest(h, packed))
}

// runDigest covers the run's place (which job, after which entries) and all its events.
func runDigest(h Head, packed []byte) string {
	return digest([]byte(fmt.Sprintf("%q %q %d %d\n", h.Name, h.Job, h.Seen, h.Torn)), packed)
}

// row is one check as history asks for it.
type row struct {
	name, subject string
	n             int
	outcome       string
	value         sql.NullFloat64
	unit          string
}

func rowsOf(events []event.Event) (checks []row, faults []string) {
	for _, e := range events {
		switch c := e.Body.(type) {
		case event.Check:
			r := row{name: c.Name, subject: c.Subject, n: len(checks), outcome: string(c.Outcome)}
			if c.Reading != nil {
				r.value, r.unit = sql.NullFloat64{Float64: c.Reading.Number, Valid: true}, c.Reading.Unit.String()
			}
			checks = append(checks, r)
			if c.Outcome == verdict.Fail {
				faults = append(faults, strings.TrimSpace(c.Name+" "+c.Subject))
			}
		case event.Finding:
			if c.Part != "" {
				faults = append(faults, c.Part)
			}
		}
	}
	slices.Sort(faults)
	return checks, slices.Compact(faults)
}

// insertReadings writes what history goes by. A run on simulated instruments is no experience with a family.
func insertReadings(ctx context.Context, tx *sql.Tx, h Head, events []event.Event) error {
	checks, faults := rowsOf(events)
	family := historyName(h)
	for _, r := range checks {
		if _, err := tx.ExecContext(ctx, `INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, family, r.name, r.subject, h.Number, r.n,
			r.outcome, h.Outcome == string(verdict.Pass), r.value, r.unit); err != nil {
			return err
		}
	}
	for _, what := range faults {
		if _, err := tx.ExecContext(ctx, `INSERT INTO fault VALUES (?, ?, ?, ?)`, family, what, h.Unit, h.Number); err != nil {
			return err
		}
	}
	return nil
}

const headColumns = `number, name, coalesce(job, ''), seen, bench, script, stage, family, unit, operator, started, ended, outcome, simulated, torn, version`

func scanHead(row interface{ Scan(...any) error }) (Head, error) {
	var h Head
	var started, ended int64
	err := row.Scan(&h.Number, &h.Name, &h.Job, &h.Seen, &h.Bench, &h.Script, &h.Stage, &h.Family, &h.Unit, &h.Operator, &started, &ended,
		&h.Outcome, &h.Simulated, &h.Torn, &h.Version)
	h.Started, h.Ended = timeOf(started), timeOf(ended)
	return h, err
}

// Runs are a job's runs in the order in which the book took them.
func (b *Book) Runs(ctx context.Context, job string) ([]Head, error) {
	rows, err := b.db.QueryContext(ctx, `SELECT `+headColumns+` FROM run WHERE job = ? ORDER BY number`, job)
	if err != nil {
		return nil, b.explain(err)
	}
	return collect(b, rows, scanHead)
}

// Run reads one run whole, with the script's and the family's text as they were.
func (b *Book) Run(ctx context.Context, name string) (Head, []event.Event, error) {
	var packed []byte
	var h Head
	row := b.db.QueryRowContext(ctx, `SELECT `+headColumns+`, journal FROM run WHERE name = ?`, name)
	h, err := scanHead(scanMore{row, &packed})
	if errors.Is(err, sql.ErrNoRows) {
		return h, nil, fmt.Errorf("run %s: %w", name, ErrNone)
	}
	if err != nil {
		return h, nil, b.explain(err)
	}
	events, err := unpack(packed)
	if err != nil {
		return h, nil, fmt.Errorf("run %s: %w", name, err)
	}
	started, ok := events[0].Body.(event.RunStarted)
	if !ok {
		return h, nil, fmt.Errorf("run %s: %w: it does not begin with its start", name, errPacked)
	}
	if started.ScriptText, err = b.source(ctx, started.ScriptHash); err != nil {
		return h, nil, err
	}
	if started.FamilyText, err = b.source(ctx, started.FamilyHash); err != nil {
		return h, nil, err
	}
	events[0].Body = started
	return h, events, nil
}

// source is a script's or family's text, empty where a run did not carry it.
func (b *Book) source(ctx context.Context, hash string) (string, error) {
	var text []byte
	err := b.db.QueryRowContext(ctx, `SELECT text FROM source WHERE sha256 = ?`, hash).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", b.explain(err)
	}
	plain, err := inflate(text)
	return string(plain), err
}

// verifyRun gives a run's digest, after its head and the rows of history were held against its events.
func (b *Book) verifyRun(ctx context.Context, tx *sql.Tx, name string) (string, error) {
	var packed []byte
	h, err := scanHead(scanMore{tx.QueryRowContext(ctx, `SELECT `+headColumns+`, journal FROM run WHERE name = ?`, name), &packed})
	if err != nil {
		return "", missing(b.explain(err))
	}
	events, err := unpack(packed)
	if err != nil {
		return "", err
	}
	told, _, err := headOf(Run{Events: events, Torn: h.Torn})
	if err != nil {
		return "", err
	}
	told.Number = h.Number
	if told != h {
		return "", errors.New("its head was changed after it was recorded")
	}
	checks, _ := rowsOf(events)
	for _, c := range checks {
		stored := row{name: c.name, subject: c.subject, n: c.n}
		err := tx.QueryRowContext(ctx, `SELECT outcome, value, unit FROM reading WHERE family = ? AND name = ? AND subject = ? AND run = ? AND n = ?`,
			historyName(h), c.name, c.subject, h.Number, c.n).Scan(&stored.outcome, &stored.value, &stored.unit)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return "", b.explain(err)
		}
		if stored != c {
			return "", fmt.Errorf("check %s %s as history has it is not that of the run", c.name, c.subject)
		}
	}
	return runDigest(h, packed), nil
}

// historyName is the family that a run's checks count for. What was simulated is kept apart from what was measured.
func historyName(h Head) string { return keptAs(h.Family, h.Simulated) }

func keptAs(family string, simulated bool) string {
	if simulated {
		return "simulated " + family
	}
	return family
}
