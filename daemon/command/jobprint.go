package command

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
)

const dayAndTime = "2006-01-02 15:04"

func printJobs(w io.Writer, jobs []record.Job) error {
	if len(jobs) == 0 {
		fmt.Fprintln(w, "no such job")
		return nil
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "job\topened\tunit\tfamily\torder\tstate\tsymptom")
	for _, j := range jobs {
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", j.ID, j.Opened.Local().Format(dayAndTime), j.Unit, j.Family, j.Order, stateOf(j), j.Symptom)
	}
	return table.Flush()
}

func stateOf(j record.Job) string {
	if j.Closed.IsZero() {
		return "open"
	}
	return j.Outcome
}

func printJob(w io.Writer, s job.State) error {
	fmt.Fprintf(w, "job %s: unit %s, family %s, %s\n", s.ID, s.Unit, s.Family, stateOf(s.Job))
	for _, line := range []struct{ name, value string }{{"order", s.Order}, {"symptom", s.Symptom}, {"idle", s.Intake.Idle}, {"why it blew", s.Cause}} {
		if line.value != "" {
			fmt.Fprintf(w, "  %s: %s\n", line.name, line.value)
		}
	}
	if slices.ContainsFunc(s.Runs, func(h record.Head) bool { return h.Simulated }) {
		fmt.Fprintln(w, "  has SIMULATED runs; no figure of those was measured on a drive")
	}
	fmt.Fprintln(w, "\nstages")
	for _, stage := range s.Stages {
		mark := "open"
		if stage.Done {
			mark = "done"
		}
		if stage.None {
			mark = "none"
		}
		fmt.Fprintf(w, "  %-8s %s  %s\n", stage.Name, mark, stage.Text+strings.Join(stage.Open, "\n                 "))
		if len(stage.Beside) > 0 && stage.Name == string(drive.Board) {
			fmt.Fprintf(w, "                 may be run as well: %s\n", strings.Join(stage.Beside, ", "))
		}
	}
	if len(s.Proposals) > 0 {
		fmt.Fprintln(w, "\nproposed by the cold checks")
		for _, p := range s.Proposals {
			fmt.Fprintf(w, "  %s: %s\n           %s\n", p.Subject, p.Text, p.Decision())
		}
	}
	fmt.Fprintln(w, "\nwhat was done")
	runs := s.Runs
	for _, e := range s.Entries {
		for len(runs) > 0 && runs[0].Seen < e.N {
			printRun(w, runs[0])
			runs = runs[1:]
		}
		fmt.Fprintf(w, "  %3d  %s  %s  %s  %s\n", e.N, e.At.Local().Format(dayAndTime), e.By, e.Kind, entryText(e))
	}
	for _, h := range runs {
		printRun(w, h)
	}
	return nil
}

func printRun(w io.Writer, h record.Head) {
	simulated := ""
	if h.Simulated {
		simulated = ", SIMULATED"
	}
	fmt.Fprintf(w, "  run  %s  %s  %s: %s%s  (%s)\n", h.Started.Local().Format(dayAndTime), h.Operator, h.Script, h.Outcome, simulated, h.Name)
}

func printLast(w io.Writer, s job.State) error {
	e := s.Entries[len(s.Entries)-1]
	fmt.Fprintf(w, "job %s, entry %d: %s by %s  %s\n", s.ID, e.N, e.Kind, e.By, entryText(e))
	return nil
}

// entryText is an entry's body in a line: what is in it, in the order in which it is written.
func entryText(e record.Entry) string {
	var fields struct {
		Text, Name, Where, Part, Why, For, Stage, Reason, Outcome, Override, Symptom string
		Count, Quantity                                                              int
		Photos                                                                       []job.Picture
		Missing                                                                      []string
		Devices                                                                      []job.Device
	}
	if err := json.Unmarshal(e.Body, &fields); err != nil {
		return string(e.Body)
	}
	var parts []string
	add := func(format string, on bool, values ...any) {
		if on {
			parts = append(parts, fmt.Sprintf(format, values...))
		}
	}
	add("%+d %s", fields.Count != 0, fields.Count, fields.Name)
	add("%d x %s", fields.Quantity != 0, fields.Quantity, fields.Part)
	add("for %s", fields.For != "", fields.For)
	for _, text := range []string{fields.Where, fields.Text, fields.Why, fields.Stage, fields.Reason, fields.Outcome, fields.Symptom} {
		add("%s", text != "", text)
	}
	add("%d power devices", len(fields.Devices) > 1, len(fields.Devices))
	add("1 power device", len(fields.Devices) == 1)
	add("OVERRIDE: %s; without: %s", fields.Override != "", fields.Override, strings.Join(fields.Missing, "; "))
	for _, p := range fields.Photos {
		add("photo %s", true, p.Name)
	}
	return strings.Join(parts, "; ")
}
