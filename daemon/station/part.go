package station

import (
	"context"
	"errors"
	"path/filepath"
	"time"

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
	return script.Part{
		Continues: before.Run, Number: before.Part + 1, Done: before.Done, Gap: quantity.SecondsOf(time.Since(before.LastHeard)),
	}, nil
}
