package station

import (
	"context"
	"errors"
	"path/filepath"
	"time"

	"benchwarden/daemon/job"
	"benchwarden/daemon/script"
	"benchwarden/instruments/quantity"
)

// part is which part of a long run an order asks for.
func (s *Station) part(p plan) (script.Part, error) {
	if !p.order.Continue {
		return script.Part{Number: 1}, nil
	}
	if p.order.Job == "" || s.cfg.Jobs == nil {
		return script.Part{}, errors.New("only a run that belongs to a job can be continued: give the job with --job")
	}
	ctx, cancel := context.WithTimeout(context.Background(), jobWithin)
	defer cancel()
	before, err := s.cfg.Jobs.CutOff(ctx, p.order.Job, filepath.Base(p.script.File))
	if err != nil {
		return script.Part{}, err
	}
	return after(before, time.Now()), nil
}

// after is the part that goes on with another one. A gap that comes out below zero is none: the computer's clock was set back.
func after(before job.Part, now time.Time) script.Part {
	p := script.Part{Continues: before.Run, Number: before.Part + 1, Done: before.Done}
	if gap := now.Sub(before.LastHeard); gap >= 0 {
		p.Gap = quantity.SecondsOf(gap)
	} else {
		p.ClockSetBack = true
	}
	return p
}
