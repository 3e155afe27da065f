package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
)

// Jobs is what the API needs of the shop's jobs.
type Jobs interface {
	Open(context.Context, job.Act) (job.State, error)
	List(context.Context, record.Filter) ([]record.Job, error)
	Show(ctx context.Context, id string) (job.State, error)
	Do(ctx context.Context, id string, a job.Act) (job.State, error)
}

// longestAct bounds the body of an act: some pictures of the largest size, in base64.
const longestAct = 4 * job.LargestPhoto * 4 / 3

// ServeJobs adds the jobs to the API: GET and POST /jobs, GET /jobs/{job}, POST /jobs/{job}/acts.
func (s *Server) ServeJobs(jobs Jobs) {
	handle := func(pattern string, f func(r *http.Request, w http.ResponseWriter) (any, error)) {
		s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			v, err := f(r, w)
			if err != nil {
				refuse(w, jobStatus(err), err)
				return
			}
			_ = write(w, v) // a client that is gone needs no answer
		})
	}
	handle("GET /jobs", func(r *http.Request, _ http.ResponseWriter) (any, error) {
		q := r.URL.Query()
		f := record.Filter{Words: q.Get("words"), Unit: q.Get("unit"), Family: q.Get("family"), Open: q.Get("open") == "true"}
		if most := q.Get("most"); most != "" {
			n, err := strconv.Atoi(most)
			if err != nil || n < 1 {
				return nil, fmt.Errorf("request: most is %q, no number above zero", most)
			}
			f.Most = n
		}
		return jobs.List(r.Context(), f)
	})
	handle("POST /jobs", func(r *http.Request, w http.ResponseWriter) (any, error) {
		a, err := act(w, r)
		if err != nil {
			return nil, err
		}
		return jobs.Open(r.Context(), a)
	})
	handle("GET /jobs/{job}", func(r *http.Request, _ http.ResponseWriter) (any, error) {
		return jobs.Show(r.Context(), r.PathValue("job"))
	})
	handle("POST /jobs/{job}/acts", func(r *http.Request, w http.ResponseWriter) (any, error) {
		a, err := act(w, r)
		if err != nil {
			return nil, err
		}
		return jobs.Do(r.Context(), r.PathValue("job"), a)
	})
}

func act(w http.ResponseWriter, r *http.Request) (a job.Act, err error) {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, longestAct))
	d.DisallowUnknownFields()
	if err := d.Decode(&a); err != nil {
		return a, fmt.Errorf("request: %w", err)
	}
	return a, nil
}

func jobStatus(err error) int {
	var large *http.MaxBytesError
	switch {
	case errors.Is(err, record.ErrNone):
		return http.StatusNotFound
	case errors.Is(err, job.ErrAct):
		return http.StatusUnprocessableEntity
	case errors.Is(err, record.ErrChanged):
		return http.StatusConflict
	case errors.As(err, &large):
		return http.StatusRequestEntityTooLarge
	}
	return http.StatusBadRequest
}
