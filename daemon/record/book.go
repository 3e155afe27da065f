package record

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"modernc.org/sqlite" // the driver named "sqlite"
)

// Book is the shop's record in one SQLite file: jobs with their entries, finished runs, and a chain over both. Several
// processes may have it open at once; each write is one transaction.
type Book struct {
	path string
	db   *sql.DB
	now  func() time.Time
}

// ErrForeign says that a file is no book of ours, or one of a later version.
var ErrForeign = errors.New("not a record that this version can read")

// ErrNone says that a job, run or photo is not in the book.
var ErrNone = errors.New("not in the record")

// applicationID marks the file as ours in SQLite's header.
const applicationID = 0x42774264

//go:embed schema/*.sql
var schemas embed.FS

// version of the schema: the number of the last file under schema/.
const version = 1

// patience is how long a write waits for another process's.
const patience = 10 * time.Second

// Open opens the book, makes it when it is not there, and brings an older one up to this version.
func Open(ctx context.Context, path string) (*Book, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("record %s: %w", path, err)
	}
	// SQLite would make the file readable by everybody; what customers say of their drives is the shop's own.
	if f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o640); err == nil {
		_ = f.Close() // it was only made; whether it can be written is told below
	}
	query := url.Values{"_txlock": {"immediate"}, "_pragma": {
		fmt.Sprintf("busy_timeout(%d)", patience.Milliseconds()), "foreign_keys(1)", "synchronous(FULL)", "temp_store(MEMORY)",
	}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: query.Encode()}).String())
	if err != nil {
		return nil, fmt.Errorf("record %s: %w", path, err)
	}
	db.SetMaxOpenConns(4)
	b := &Book{path: path, db: db, now: time.Now}
	if err := b.prepare(ctx); err != nil {
		return nil, errors.Join(b.explain(err), db.Close())
	}
	return b, nil
}

// Path is the book's file.
func (b *Book) Path() string { return b.path }

// Close closes the file.
func (b *Book) Close() error { return b.db.Close() }

// prepare checks whose file it is, before anything is written to it, and migrates it.
func (b *Book) prepare(ctx context.Context) error {
	var id, at, tables int
	for pragma, into := range map[string]*int{"PRAGMA application_id": &id, "PRAGMA user_version": &at, "SELECT count(*) FROM sqlite_schema": &tables} {
		if err := b.db.QueryRowContext(ctx, pragma).Scan(into); err != nil {
			return err
		}
	}
	switch {
	case id == applicationID && at > version:
		return fmt.Errorf("%w: it was written by a later version of benchwarden (%d, this one knows %d); use that version", ErrForeign, at, version)
	case id != applicationID && (id != 0 || tables > 0):
		return fmt.Errorf("%w: it is a database of another program; name another folder with --data", ErrForeign)
	case id == applicationID && at == version:
		return nil
	}
	if _, err := b.db.ExecContext(ctx, "PRAGMA journal_mode = WAL"); err != nil {
		return err
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&at); err != nil {
			return err // another process may have been first
		}
		for n := at + 1; n <= version; n++ {
			text, err := schemas.ReadFile(fmt.Sprintf("schema/%d.sql", n))
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, string(text)); err != nil {
				return fmt.Errorf("migration %d: %w", n, err)
			}
		}
		_, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, version))
		return err
	})
}

// write does one transaction, whole or not at all.
func (b *Book) write(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return b.explain(err)
	}
	if err := do(tx); err != nil {
		return errors.Join(b.explain(err), ignoreDone(tx.Rollback()))
	}
	return b.explain(tx.Commit())
}

func ignoreDone(err error) error {
	if errors.Is(err, sql.ErrTxDone) {
		return nil
	}
	return err
}

// The primary result codes of SQLite that a shop meets (sqlite.org/rescode.html).
const (
	busy     = 5
	readOnly = 8
	ioError  = 10
	corrupt  = 11
	full     = 13
	cantOpen = 14
	notADB   = 26
)

// explain says what a fault of the file means and what to do.
func (b *Book) explain(err error) error {
	var fault *sqlite.Error
	if !errors.As(err, &fault) {
		return err
	}
	text := ""
	switch fault.Code() & 0xff {
	case busy:
		text = fmt.Sprintf("another process has been writing to it for %v; try again", patience)
	case readOnly, cantOpen:
		text = "it cannot be opened for writing; nothing was written. Check the folder's owner and permissions, or name another with --data"
	case ioError, full:
		text = "the disk is full or failing; nothing of this was written, what was there is kept. Make room, then do it again: runs are still in their journals"
	case corrupt, notADB:
		text = "the file is damaged or no record; nothing was written to it. Move it aside and put the latest backup in its place; runs are still in their journals"
	default:
		return fmt.Errorf("record %s: %w", b.path, err)
	}
	return fmt.Errorf("record %s: %s (%w)", b.path, text, err)
}

// instant is a time as it is stored: microseconds since 1970, UTC; finer than any clock here is true.
func instant(t time.Time) int64 { return t.UnixMicro() }

func timeOf(us int64) time.Time { return time.UnixMicro(us).UTC() }
