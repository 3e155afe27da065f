package server

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
)

func TestJobsOverTheAPI(t *testing.T) {
	book, err := record.Open(t.Context(), filepath.Join(t.TempDir(), "record.db"))
	require.NoError(t, err)
	defer book.Close()
	s := New()
	s.ServeJobs(job.NewDesk(book, job.Library{Families: []string{"../../configs/families"}, Scripts: []string{"../../scripts"}}))
	ask := func(method, path string, body any, into any) (int, string) {
		data, err := json.Marshal(body)
		require.NoError(t, err)
		answer := httptest.NewRecorder()
		s.mux.ServeHTTP(answer, httptest.NewRequest(method, path, bytes.NewReader(data)))
		text := answer.Body.String()
		if answer.Code == http.StatusOK && into != nil {
			require.NoError(t, json.Unmarshal([]byte(text), into))
		}
		return answer.Code, text
	}
	var state job.State
	code, text := ask("POST", "/jobs", job.NewAct("Ann", job.Opened, job.Intake{Family: "heron", Unit: "HR-1041", Symptom: "blown bridge"}), &state)
	require.Equal(t, http.StatusOK, code, text)
	code, text = ask("POST", "/jobs/"+state.ID+"/acts", job.NewAct("Ann", job.Noted, job.Remark{Text: "burnt varistor"}), &state)
	require.Equal(t, http.StatusOK, code, text)
	require.Len(t, state.Entries, 2)
	var list []record.Job
	code, _ = ask("GET", "/jobs?words=varistor&open=true&most=5", nil, &list)
	require.Equal(t, http.StatusOK, code)
	require.Len(t, list, 1)
	require.Equal(t, state.Job, list[0])

	for name, tt := range map[string]struct {
		method, path string
		body         any
		code         int
		want         string
	}{
		"a job that is not there":      {"GET", "/jobs/J000000-none", nil, http.StatusNotFound, "not in the record"},
		"a release without its stages": {"POST", "/jobs/" + state.ID + "/acts", job.NewAct("Ann", job.Released, job.Release{}), http.StatusUnprocessableEntity, "rails has not been run"},
		"an act without a name":        {"POST", "/jobs/" + state.ID + "/acts", job.NewAct("", job.Noted, job.Remark{Text: "x"}), http.StatusUnprocessableEntity, "nobody's name"},
		"what is no act":               {"POST", "/jobs", map[string]string{"hello": "world"}, http.StatusBadRequest, "unknown field"},
		"a bad number":                 {"GET", "/jobs?most=many", nil, http.StatusBadRequest, "no number above zero"},
		"more than an act may carry": {"POST", "/jobs", job.Act{By: strings.Repeat("A", longestAct)}, http.StatusRequestEntityTooLarge,
			"too large"},
	} {
		code, text := ask(tt.method, tt.path, tt.body, nil)
		require.Equal(t, tt.code, code, name)
		require.Contains(t, text, tt.want, name)
	}
}
