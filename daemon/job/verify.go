package job

import (
	"context"
	"encoding/json"
	"fmt"

	"benchwarden/daemon/record"
)

// Verify holds the head of every job, which lists and history go by, against its entries; it returns how many there are.
func (d *Desk) Verify(ctx context.Context) (int, error) {
	n := 0
	err := d.book.EachJob(ctx, func(j record.Job, entries []record.Entry) error {
		n++
		told, err := headOf(entries)
		if err != nil {
			return fmt.Errorf("job %s: %w", j.ID, err)
		}
		told.ID, told.Opened, told.Entries = j.ID, j.Opened, len(entries)
		if !told.Closed.IsZero() && !j.Closed.IsZero() {
			told.Closed = j.Closed
		}
		if told != j {
			return fmt.Errorf("job %s: its head was changed: its entries say %s of family %s, %s, and the list says %s of family %s, %s",
				j.ID, told.Unit, told.Family, ending(told), j.Unit, j.Family, ending(j))
		}
		return nil
	})
	return n, err
}

func ending(j record.Job) string {
	if j.Closed.IsZero() {
		return "open"
	}
	return j.Outcome
}

// headOf makes a job's head of its entries.
func headOf(entries []record.Entry) (j record.Job, err error) {
	for _, e := range entries {
		switch e.Kind {
		case Opened:
			var in Intake
			err = json.Unmarshal(e.Body, &in)
			j.Family, j.Unit, j.Order, j.Symptom = in.Family, in.Unit, in.Order, in.Symptom
		case Noted:
			var r Remark
			if err = json.Unmarshal(e.Body, &r); r.Cause {
				j.Cause = r.Text
			}
		case Closed:
			var end End
			err = json.Unmarshal(e.Body, &end)
			j.Closed, j.Outcome = e.At, end.Outcome
			if end.Cause != "" {
				j.Cause = end.Cause
			}
		case Reopened:
			j.Closed, j.Outcome = never, ""
			j.Reopened++
		}
		if err != nil {
			return j, fmt.Errorf("entry %d (%s): %w", e.N, e.Kind, err)
		}
	}
	return j, nil
}
