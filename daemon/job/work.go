package job

import (
	"context"
	"errors"
	"time"

	"benchwarden/daemon/record"
)

func now() time.Time { return time.Now() }

var never time.Time

// Work is what a bench needs to know of the job that it runs a script for.
type Work struct {
	Job      string
	Family   string
	Unit     string
	Entries  int            // how many entries the job has now
	StandIns map[string]int // what is in the drive now
}

// Permit gives a job's work when a script of a stage may be run for it, else the reason.
func (d *Desk) Permit(ctx context.Context, id, stage string) (Work, error) {
	s, err := d.Show(ctx, id)
	if err != nil {
		return Work{}, err
	}
	return Work{Job: s.ID, Family: s.Family, Unit: s.Unit, Entries: s.Job.Entries, StandIns: s.StandIns}, s.Permit(stage)
}

// CountStandIn writes down that a person, asked by the bench, put stand-ins in (count above zero) or took them out.
func (d *Desk) CountStandIn(ctx context.Context, id, by, name string, count int, where string) error {
	for {
		_, err := d.Do(ctx, id, NewAct(by, StandIn, Move{Name: name, Count: count, Where: where}))
		if !errors.Is(err, record.ErrChanged) {
			return err
		}
	}
}

// Take puts a finished run's journal into the record.
func (d *Desk) Take(ctx context.Context, journal string) error {
	_, err := d.book.Take(ctx, journal)
	return err
}
