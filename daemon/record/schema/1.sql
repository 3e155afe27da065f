-- The first shape of the book. Entries and runs are written once; the chain runs over both, in the order they came in.
CREATE TABLE job (
  number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, family TEXT NOT NULL, unit TEXT NOT NULL, customer_order TEXT NOT NULL,
  symptom TEXT NOT NULL, opened INTEGER NOT NULL, closed INTEGER NOT NULL DEFAULT 0, outcome TEXT NOT NULL DEFAULT '',
  cause TEXT NOT NULL DEFAULT '', reopened INTEGER NOT NULL DEFAULT 0, entries INTEGER NOT NULL DEFAULT 0,
  again INTEGER NOT NULL DEFAULT 0,    -- the unit has come again later
  simulated INTEGER NOT NULL DEFAULT 0 -- it has a run on simulated instruments
) STRICT;
CREATE INDEX job_by_unit ON job(unit, number);
CREATE INDEX job_by_family ON job(family, simulated, closed, outcome, reopened, again);

CREATE TABLE entry (
  job TEXT NOT NULL REFERENCES job(id), n INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, at INTEGER NOT NULL, by TEXT NOT NULL,
  kind TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (job, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE photo (sha256 TEXT PRIMARY KEY, type TEXT NOT NULL, data BLOB NOT NULL) STRICT;

CREATE TABLE source (sha256 TEXT PRIMARY KEY, text BLOB NOT NULL) STRICT;

CREATE TABLE run (
  number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, job TEXT REFERENCES job(id), seen INTEGER NOT NULL, bench TEXT NOT NULL,
  script TEXT NOT NULL, stage TEXT NOT NULL, family TEXT NOT NULL, unit TEXT NOT NULL, operator TEXT NOT NULL,
  started INTEGER NOT NULL, ended INTEGER NOT NULL, outcome TEXT NOT NULL, simulated INTEGER NOT NULL, torn INTEGER NOT NULL,
  version TEXT NOT NULL, script_sha256 TEXT NOT NULL, family_sha256 TEXT NOT NULL, events INTEGER NOT NULL, journal BLOB NOT NULL
) STRICT;
CREATE INDEX run_by_job ON run(job, number);
CREATE INDEX run_by_unit ON run(unit, number);

-- One row a check, in the order in which history asks for them.
CREATE TABLE reading (
  family TEXT NOT NULL, name TEXT NOT NULL, subject TEXT NOT NULL, run INTEGER NOT NULL REFERENCES run(number), n INTEGER NOT NULL,
  outcome TEXT NOT NULL, good INTEGER NOT NULL, value REAL, unit TEXT NOT NULL, PRIMARY KEY (family, name, subject, run, n)
) STRICT, WITHOUT ROWID;
-- What was found wrong, a row a run and fault: its parts in words, or the check that failed.
CREATE TABLE fault (
  family TEXT NOT NULL, what TEXT NOT NULL, unit TEXT NOT NULL, run INTEGER NOT NULL REFERENCES run(number),
  PRIMARY KEY (family, what, unit, run)
) STRICT, WITHOUT ROWID;

CREATE TABLE chain (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, ref TEXT NOT NULL, link TEXT NOT NULL, UNIQUE (kind, ref)) STRICT;

CREATE VIRTUAL TABLE job_text USING fts5(words, tokenize = 'unicode61');

CREATE TRIGGER entry_is_kept BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END;
CREATE TRIGGER entry_stays BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'an entry is never removed'); END;
CREATE TRIGGER run_is_kept BEFORE UPDATE ON run BEGIN SELECT RAISE(ABORT, 'a run is never changed'); END;
CREATE TRIGGER run_stays BEFORE DELETE ON run BEGIN SELECT RAISE(ABORT, 'a run is never removed'); END;
