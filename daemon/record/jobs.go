package record

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Job is the head of one unit's stay on the bench, as lists show it. All else about it is in its entries.
type Job struct {
	ID       string    `json:"id"`
	Family   string    `json:"family"` // "unknown" where nobody has data for it
	Unit     string    `json:"unit"`   // serial number
	Order    string    `json:"customer_order,omitempty"`
	Symptom  string    `json:"symptom,omitempty"`
	Opened   time.Time `json:"opened"`
	Closed   time.Time `json:"closed,omitzero"`   // zero: open
	Outcome  string    `json:"outcome,omitempty"` // of a closed job
	Cause    string    `json:"cause,omitempty"`   // why it blew, as far as can be told
	Reopened int       `json:"reopened,omitempty"`
	Entries  int       `json:"entries"` // how many entries the job has
}

// Entry is one thing that was done or decided in a job. It is never changed.
type Entry struct {
	ID   string          `json:"id"` // the same on every machine
	N    int             `json:"n"`  // from 1, in the order in which they were made; a clock that was set back does not matter
	At   time.Time       `json:"at"`
	By   string          `json:"by"`
	Kind string          `json:"kind"`
	Body json.RawMessage `json:"body"`
}

// Photo is a picture that an entry names by its hash.
type Photo struct {
	SHA256 string
	Type   string // "image/jpeg", "image/png"
	Data   []byte
}

// NewPhoto is a picture with its hash.
func NewPhoto(kind string, data []byte) Photo {
	return Photo{SHA256: digest(data), Type: kind, Data: data}
}

func digest(parts ...[]byte) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write(p)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// ErrChanged says that somebody else wrote to the job after it was looked at.
var ErrChanged = errors.New("somebody else has written to the job meanwhile; look at it again")

// letters of a job's name: none that is taken for another when it is read from a tag.
const letters = "23456789abcdefghjkmnpqrstuvwxyz"

// newJobID names a job by its day and four letters, so that two shops hardly ever give the same name.
func newJobID(at time.Time) string {
	var random [4]byte
	_, _ = rand.Read(random[:]) // never fails (crypto/rand)
	for i, r := range random {
		random[i] = letters[int(r)%len(letters)]
	}
	return "J" + at.UTC().Format("060102") + "-" + string(random[:])
}

// NewJob opens a job with its first entry and returns its name. words are what the job is found by, besides its head.
func (b *Book) NewJob(ctx context.Context, j Job, first Entry, words string, photos ...Photo) (Job, error) {
	if j.Opened.IsZero() {
		j.Opened = b.now()
	}
	j.Opened = timeOf(instant(j.Opened))
	var err error
	for range 5 { // a name that is taken already: once in a million jobs of a day
		j.ID = newJobID(j.Opened)
		err = b.write(ctx, func(tx *sql.Tx) error {
			if err := insertJob(ctx, tx, j); err != nil {
				return err
			}
			return b.append(ctx, tx, &j, first, words, photos)
		})
		if err == nil || !strings.Contains(err.Error(), "job.id") {
			break
		}
	}
	return j, err
}

func insertJob(ctx context.Context, tx *sql.Tx, j Job) error {
	r, err := tx.ExecContext(ctx, `INSERT INTO job (id, family, unit, customer_order, symptom, opened) VALUES (?, ?, ?, ?, ?, ?)`,
		j.ID, j.Family, j.Unit, j.Order, j.Symptom, instant(j.Opened))
	if err != nil {
		return err
	}
	number, err := r.LastInsertId()
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE job SET again = 1 WHERE unit = ? AND opened < ?`, j.Unit, instant(j.Opened)); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE job SET again = EXISTS (SELECT 1 FROM job later WHERE later.unit = job.unit AND later.opened > job.opened) WHERE number = ?`, number)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO job_text (rowid, words) VALUES (?, ?)`, number,
		strings.Join([]string{j.ID, j.Family, j.Unit, j.Order, j.Symptom}, " "))
	return err
}

// Append writes an entry into a job whose head becomes j. It is refused with ErrChanged when the job has more entries than
// j.Entries says: the entry was decided on something older.
func (b *Book) Append(ctx context.Context, j Job, e Entry, words string, photos ...Photo) (Job, error) {
	err := b.write(ctx, func(tx *sql.Tx) error {
		var entries int
		err := tx.QueryRowContext(ctx, `SELECT entries FROM job WHERE id = ?`, j.ID).Scan(&entries)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("job %s: %w", j.ID, ErrNone)
		case err != nil:
			return err
		case entries != j.Entries:
			return fmt.Errorf("job %s: %w", j.ID, ErrChanged)
		}
		return b.append(ctx, tx, &j, e, words, photos)
	})
	return j, err
}

func (b *Book) append(ctx context.Context, tx *sql.Tx, j *Job, e Entry, words string, photos []Photo) error {
	j.Entries++
	e.N = j.Entries
	if e.ID == "" {
		e.ID = rand.Text()
	}
	if e.At.IsZero() {
		e.At = b.now()
	}
	e.At = timeOf(instant(e.At))
	if err := insertPhotos(ctx, tx, photos); err != nil {
		return err
	}
	if err := insertEntry(ctx, tx, j.ID, e); err != nil {
		return err
	}
	return setHead(ctx, tx, *j, words)
}

func insertPhotos(ctx context.Context, tx *sql.Tx, photos []Photo) error {
	for _, p := range photos {
		if _, err := tx.ExecContext(ctx, `INSERT INTO photo VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, p.SHA256, p.Type, p.Data); err != nil {
			return err
		}
	}
	return nil
}

func insertEntry(ctx context.Context, tx *sql.Tx, job string, e Entry) error {
	if _, err := tx.ExecContext(ctx, `INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)`, job, e.N, e.ID, instant(e.At), e.By, e.Kind, string(e.Body)); err != nil {
		return err
	}
	return link(ctx, tx, "entry", e.ID, entryDigest(job, e))
}

// setHead writes what changes of a job's head.
func setHead(ctx context.Context, tx *sql.Tx, j Job, words string) error {
	var closed int64
	if !j.Closed.IsZero() {
		closed = instant(j.Closed)
	}
	_, err := tx.ExecContext(ctx, `UPDATE job SET family = ?, closed = ?, outcome = ?, cause = ?, reopened = ?, entries = ? WHERE id = ?`,
		j.Family, closed, j.Outcome, j.Cause, j.Reopened, j.Entries, j.ID)
	if err != nil || words == "" {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE job_text SET words = words || ' ' || ? WHERE rowid = (SELECT number FROM job WHERE id = ?)`, words, j.ID)
	return err
}

const jobColumns = `id, family, unit, customer_order, symptom, opened, closed, outcome, cause, reopened, entries`

func scanJob(row interface{ Scan(...any) error }) (Job, error) {
	var j Job
	var opened, closed int64
	err := row.Scan(&j.ID, &j.Family, &j.Unit, &j.Order, &j.Symptom, &opened, &closed, &j.Outcome, &j.Cause, &j.Reopened, &j.Entries)
	j.Opened = timeOf(opened)
	if closed != 0 {
		j.Closed = timeOf(closed)
	}
	return j, err
}

// Job finds a job by its name, or by its last four letters where only one job has them.
func (b *Book) Job(ctx context.Context, id string) (Job, error) {
	j, err := scanJob(b.db.QueryRowContext(ctx, `SELECT `+jobColumns+` FROM job WHERE id = ?`, id))
	if !errors.Is(err, sql.ErrNoRows) {
		return j, b.explain(err)
	}
	if len(id) == 4 {
		// The full-text index knows the last letters as a word of their own.
		found, err := b.Jobs(ctx, Filter{Words: id, Most: 10})
		if err != nil {
			return j, err
		}
		var ending []Job
		for _, f := range found {
			if strings.HasSuffix(f.ID, "-"+strings.ToLower(id)) {
				ending = append(ending, f)
			}
		}
		if len(ending) == 1 {
			return ending[0], nil
		}
	}
	return Job{}, fmt.Errorf("job %s: %w; benchwarden job list names the jobs", id, ErrNone)
}

// Filter chooses jobs; the zero value means all. The newest come first.
type Filter struct {
	Words  string // all of them have to be somewhere in the job
	Unit   string
	Family string
	Open   bool // only jobs that are not closed
	Most   int  // 0: 50
}

// Jobs lists jobs, the newest first.
func (b *Book) Jobs(ctx context.Context, f Filter) ([]Job, error) {
	where, values := []string{"TRUE"}, []any{}
	and := func(condition string, value ...any) {
		where, values = append(where, condition), append(values, value...)
	}
	if words := strings.Fields(f.Words); len(words) > 0 {
		var quoted []string
		for _, w := range words {
			quoted = append(quoted, `"`+strings.ReplaceAll(w, `"`, `""`)+`"*`)
		}
		and("number IN (SELECT rowid FROM job_text WHERE job_text MATCH ?)", strings.Join(quoted, " "))
	}
	if f.Unit != "" {
		and("unit = ?", f.Unit)
	}
	if f.Family != "" {
		and("family = ?", f.Family)
	}
	if f.Open {
		and("closed = 0")
	}
	if f.Most == 0 {
		f.Most = 50
	}
	rows, err := b.db.QueryContext(ctx, `SELECT `+jobColumns+` FROM job WHERE `+strings.Join(where, " AND ")+` ORDER BY number DESC LIMIT ?`, append(values, f.Most)...)
	if err != nil {
		return nil, b.explain(err)
	}
	return collect(b, rows, scanJob)
}

// collect takes all rows.
func collect[T any](b *Book, rows *sql.Rows, scan func(interface{ Scan(...any) error }) (T, error)) ([]T, error) {
	defer rows.Close()
	all := []T{}
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, b.explain(err)
		}
		all = append(all, v)
	}
	return all, b.explain(rows.Err())
}

// Entries are a job's entries in their order.
func (b *Book) Entries(ctx context.Context, job string) ([]Entry, error) {
	rows, err := b.db.QueryContext(ctx, `SELECT id, n, at, by, kind, body FROM entry WHERE job = ? ORDER BY n`, job)
	if err != nil {
		return nil, b.explain(err)
	}
	return collect(b, rows, scanEntry)
}

func scanEntry(row interface{ Scan(...any) error }) (Entry, error) {
	var e Entry
	var at int64
	var body string
	err := row.Scan(&e.ID, &e.N, &at, &e.By, &e.Kind, &body)
	e.At, e.Body = timeOf(at), json.RawMessage(body)
	return e, err
}

// Photo is a picture by its hash.
func (b *Book) Photo(ctx context.Context, sha256 string) (Photo, error) {
	p := Photo{SHA256: sha256}
	err := b.db.QueryRowContext(ctx, `SELECT type, data FROM photo WHERE sha256 = ?`, sha256).Scan(&p.Type, &p.Data)
	if errors.Is(err, sql.ErrNoRows) {
		return p, fmt.Errorf("photo %s: %w", sha256, ErrNone)
	}
	return p, b.explain(err)
}

// EachJob hands over every job with its entries, the oldest first, until do fails.
func (b *Book) EachJob(ctx context.Context, do func(Job, []Entry) error) error {
	const batch = 500
	for after := 0; ; {
		rows, err := b.db.QueryContext(ctx, `SELECT `+jobColumns+`, number FROM job WHERE number > ? ORDER BY number LIMIT ?`, after, batch)
		if err != nil {
			return b.explain(err)
		}
		jobs, err := collect(b, rows, func(row interface{ Scan(...any) error }) (Job, error) { return scanJob(scanMore{row, &after}) })
		if err != nil {
			return err
		}
		for _, j := range jobs {
			entries, err := b.Entries(ctx, j.ID)
			if err != nil {
				return err
			}
			if err := do(j, entries); err != nil {
				return err
			}
		}
		if len(jobs) < batch {
			return nil
		}
	}
}

// scanMore scans one column more than a scanner asks for.
type scanMore struct {
	row  interface{ Scan(...any) error }
	last any
}

func (s scanMore) Scan(into ...any) error { return s.row.Scan(append(into, s.last)...) }
