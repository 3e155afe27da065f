package server

import (
	"encoding/json"
	"fmt"
	"net/http"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/station"
)

// Limits is what the API needs of the families' trip limits.
type Limits interface {
	Show(family, stage, bench string) ([]StageLimits, error)
	Set(family string, c ChangeLimits) (drive.Change, error)
	History(family string) ([]drive.Change, error)
}

// StageLimits are the limits that a run of a stage would have on a bench, and what they cost.
type StageLimits struct {
	Family       string                `json:"family"`
	Stage        drive.Stage           `json:"stage"`
	Bench        string                `json:"bench"`
	Limits       []station.CostedLimit `json:"limits"`
	Uncontrolled station.Uncontrolled  `json:"uncontrolled"`
}

// ChangeLimits asks for other limits from the next run on: "bus_voltage": "95 V".
type ChangeLimits struct {
	Stage  drive.Stage       `json:"stage"`
	Values map[string]string `json:"values"`
	By     string            `json:"by"`
	Reason string            `json:"reason"`
	Bench  string            `json:"bench,omitempty"` // checked against this one; empty: against all
}

// ServeLimits adds the limits to the API: GET and PUT /families/{family}/limits, GET /families/{family}/limits/history.
func (s *Server) ServeLimits(limits Limits) {
	handle := func(pattern string, f func(w http.ResponseWriter, r *http.Request) (any, error)) {
		s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			v, err := f(w, r)
			if err != nil {
				refuse(w, http.StatusUnprocessableEntity, err)
				return
			}
			_ = write(w, v) // a client that is gone needs no answer
		})
	}
	handle("GET /families/{family}/limits", func(_ http.ResponseWriter, r *http.Request) (any, error) {
		q := r.URL.Query()
		return limits.Show(r.PathValue("family"), q.Get("stage"), q.Get("bench"))
	})
	handle("PUT /families/{family}/limits", func(w http.ResponseWriter, r *http.Request) (any, error) {
		var c ChangeLimits
		d := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16))
		d.DisallowUnknownFields()
		if err := d.Decode(&c); err != nil {
			return nil, fmt.Errorf("request: %w", err)
		}
		return limits.Set(r.PathValue("family"), c)
	})
	handle("GET /families/{family}/limits/history", func(_ http.ResponseWriter, r *http.Request) (any, error) {
		return limits.History(r.PathValue("family"))
	})
}
