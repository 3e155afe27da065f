package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
)

// link adds one thing to the chain: its link is the hash of the link before it and of its own digest, so that nothing can be
// changed, put in or taken out later without every link after it being wrong.
func link(ctx context.Context, tx *sql.Tx, kind, ref, digestOfIt string) error {
	previous := ""
	err := tx.QueryRowContext(ctx, `SELECT link FROM chain ORDER BY number DESC LIMIT 1`).Scan(&previous)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO chain (kind, ref, link) VALUES (?, ?, ?)`, kind, ref, linkOf(previous, kind, ref, digestOfIt))
	return err
}

func linkOf(previous, kind, ref, digestOfIt string) string {
	return digest([]byte(previous + "\n" + kind + "\n" + ref + "\n" + digestOfIt))
}

func entryDigest(job string, e Entry) string {
	return digest([]byte(strconv.Quote(job)+" "+strconv.Itoa(e.N)+" "+strconv.Quote(e.ID)+" "+strconv.FormatInt(instant(e.At), 10)+" "+
		strconv.Quote(e.By)+" "+strconv.Quote(e.Kind)+"\n"), e.Body)
}

// Verified is what Verify found in order.
type Verified struct {
	Entries int    `json:"entries"`
	Runs    int    `json:"runs"`
	Head    string `json:"head"` // the last link: kept elsewhere, it shows too when the end of the chain was cut off
}

// Verify reads the whole book and says what does not fit: SQLite's own check of the file, the chain over entries and runs, the
// hashes of pictures, scripts and families, and the readings that history goes by against the runs they were taken from.
func (b *Book) Verify(ctx context.Context) (Verified, error) {
	var v Verified
	var state string
	if err := b.db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&state); err != nil {
		return v, b.explain(err)
	}
	if state != "ok" {
		return v, fmt.Errorf("record %s: the file is damaged: %s; put the latest backup in its place", b.path, state)
	}
	tx, err := b.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return v, b.explain(err)
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	err = errors.Join(b.verifyChain(ctx, tx, &v), b.verifyHashes(ctx, tx))
	if err != nil {
		return v, fmt.Errorf("record %s: %w", b.path, err)
	}
	return v, nil
}

type chained struct {
	number    int
	kind, ref string
	link      string
}

func (b *Book) verifyChain(ctx context.Context, tx *sql.Tx, v *Verified) error {
	rows, err := tx.QueryContext(ctx, `SELECT number, kind, ref, link FROM chain ORDER BY number`)
	if err != nil {
		return b.explain(err)
	}
	links, err := collect(b, rows, func(row interface{ Scan(...any) error }) (c chained, err error) {
		return c, row.Scan(&c.number, &c.kind, &c.ref, &c.link)
	})
	if err != nil {
		return err
	}
	for i, c := range links {
		if c.number != i+1 {
			return fmt.Errorf("link %d of the chain is missing", i+1)
		}
		found, err := b.digestOf(ctx, tx, c)
		if err != nil {
			return fmt.Errorf("%s %s: %w", c.kind, c.ref, err)
		}
		if linkOf(v.Head, c.kind, c.ref, found) != c.link {
			return fmt.Errorf("%s %s (link %d) was changed after it was recorded, or the chain before it was", c.kind, c.ref, c.number)
		}
		v.Head = c.link
		if c.kind == "run" {
			v.Runs++
		} else {
			v.Entries++
		}
	}
	for _, count := range []struct {
		what, query string
		linked      int
	}{{"entries", "SELECT count(*) FROM entry", v.Entries}, {"runs", "SELECT count(*) FROM run", v.Runs}} {
		var n int
		if err := tx.QueryRowContext(ctx, count.query).Scan(&n); err != nil {
			return b.explain(err)
		}
		if n != count.linked {
			return fmt.Errorf("there are %d %s, the chain knows %d", n, count.what, count.linked)
		}
	}
	return nil
}

func (b *Book) digestOf(ctx context.Context, tx *sql.Tx, c chained) (string, error) {
	if c.kind == "run" {
		return b.verifyRun(ctx, tx, c.ref)
	}
	var job, body string
	var e Entry
	var at int64
	err := tx.QueryRowContext(ctx, `SELECT job, id, n, at, by, kind, body FROM entry WHERE id = ?`, c.ref).Scan(&job, &e.ID, &e.N, &at, &e.By, &e.Kind, &body)
	e.At, e.Body = timeOf(at), json.RawMessage(body)
	return entryDigest(job, e), missing(b.explain(err))
}

func missing(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return errors.New("it was taken out of the record")
	}
	return err
}

func (b *Book) verifyHashes(ctx context.Context, tx *sql.Tx) error {
	for what, query := range map[string]string{"photo": "SELECT sha256, data FROM photo", "script or family": "SELECT sha256, text FROM source"} {
		rows, err := tx.QueryContext(ctx, query)
		if err != nil {
			return b.explain(err)
		}
		_, err = collect(b, rows, func(row interface{ Scan(...any) error }) (struct{}, error) {
			var hash string
			var data []byte
			if err := row.Scan(&hash, &data); err != nil {
				return struct{}{}, err
			}
			if what != "photo" {
				if data, err = inflate(data); err != nil {
					return struct{}{}, fmt.Errorf("%s %s: %w", what, hash, err)
				}
			}
			if digest(data) != hash {
				return struct{}{}, fmt.Errorf("%s %s was changed after it was recorded", what, hash)
			}
			return struct{}{}, nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}
