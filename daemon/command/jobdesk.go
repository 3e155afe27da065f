package command

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/server"
)

// openBook opens the record in the data folder.
func openBook(ctx context.Context, s Settings) (*record.Book, error) {
	return record.Open(ctx, filepath.Join(s.Data, "record.db"))
}

// jobsOrNone opens the record for a process that owns benches. Without one the benches are still made safe and supervised, runs
// stay in their journals, and no job is found: a damaged file must not keep outputs on.
func jobsOrNone(ctx context.Context, c *console, s Settings) (*record.Book, *job.Desk) {
	book, err := openBook(ctx, s)
	if err != nil {
		fmt.Fprintln(c.err, "benchwarden: NO RECORD: runs stay in their journals and jobs cannot be used:", err)
		return nil, nil
	}
	return book, job.NewDesk(book, shelf(s))
}

// takeLeftOver takes in what a killed process left in the journals. A journal that cannot be read is told, and stops nothing.
func takeLeftOver(ctx context.Context, c *console, s Settings, book *record.Book) {
	taken, err := book.TakeAll(ctx, filepath.Join(s.Data, "journals"))
	for _, name := range taken {
		h, _, runErr := book.Run(ctx, name)
		if runErr == nil {
			fmt.Fprintf(c.out, "record     run %s on unit %s, taken from its journal: %s\n", name, h.Unit, h.Outcome)
		}
		err = errors.Join(err, runErr)
	}
	if err != nil {
		fmt.Fprintln(c.err, "benchwarden: record:", err)
	}
}

func shelf(s Settings) job.Library { return job.Library{Families: s.families(), Scripts: s.scripts()} }

// withJobs gives the desk where jobs are: a daemon's where one answers, else the record in the data folder.
func withJobs(ctx context.Context, s Settings, do func(server.Jobs) error) error {
	remote := newClient(s.Socket)
	if _, err := remote.statuses(ctx); err == nil {
		return do(remoteJobs{remote})
	}
	book, err := openBook(ctx, s)
	if err != nil {
		return err
	}
	return errors.Join(do(job.NewDesk(book, shelf(s))), book.Close())
}

// remoteJobs are the jobs of a daemon.
type remoteJobs struct{ api *client }

func (r remoteJobs) Open(ctx context.Context, a job.Act) (s job.State, err error) {
	return s, r.api.do(ctx, http.MethodPost, "/jobs", a, &s)
}

func (r remoteJobs) List(ctx context.Context, f record.Filter) (all []record.Job, err error) {
	q := url.Values{"words": {f.Words}, "unit": {f.Unit}, "family": {f.Family}, "open": {strconv.FormatBool(f.Open)}}
	if f.Most > 0 {
		q.Set("most", strconv.Itoa(f.Most))
	}
	return all, r.api.do(ctx, http.MethodGet, "/jobs?"+q.Encode(), nil, &all)
}

func (r remoteJobs) Show(ctx context.Context, id string) (s job.State, err error) {
	return s, r.api.do(ctx, http.MethodGet, "/jobs/"+url.PathEscape(id), nil, &s)
}

func (r remoteJobs) Do(ctx context.Context, id string, a job.Act) (s job.State, err error) {
	return s, r.api.do(ctx, http.MethodPost, "/jobs/"+url.PathEscape(id)+"/acts", a, &s)
}
