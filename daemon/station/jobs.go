package station

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/job"
)

// Jobs is what a bench needs of the shop's jobs. A bench without them keeps its runs in their journals only.
type Jobs interface {
	// Permit gives what a job is about when a script of a stage may be run for it, else the reason.
	Permit(ctx context.Context, id, stage string) (job.Work, error)
	// CountStandIn writes down that a person put stand-ins in (above zero) or took them out.
	CountStandIn(ctx context.Context, id, by, name string, count int, where string) error
	// CutOff gives the latest run of a script for a job, as a part that another one may continue, else why none may.
	CutOff(ctx context.Context, id, script string) (job.Part, error)
	// Take puts a finished run's journal into the record.
	Take(ctx context.Context, journal string) error
}

// openStages are the stages whose scripts may be run without a job: no power device is energised in them.
var openStages = []drive.Stage{drive.Cold, drive.Rails, drive.Board}

// jobWithin is how long the record may take to answer.
const jobWithin = 15 * time.Second

// permit gives an order's job its say, and the order its family and unit from it.
func (s *Station) permit(o Order, stage drive.Stage) (Order, job.Work, error) {
	if o.Job == "" {
		if !slices.Contains(openStages, stage) && !(o.Rehearsal && s.cfg.File.Person == "simulated") {
			return o, job.Work{}, fmt.Errorf("script %s belongs to stage %s, which needs a job with the stages before it; give it with --job", o.Script, stage)
		}
		return o, job.Work{}, nil
	}
	if s.cfg.Jobs == nil {
		return o, job.Work{}, fmt.Errorf("job %s: this bench has no record with jobs in it", o.Job)
	}
	ctx, cancel := context.WithTimeout(context.Background(), jobWithin)
	defer cancel()
	work, err := s.cfg.Jobs.Permit(ctx, o.Job, string(stage))
	if err != nil {
		return o, work, err
	}
	if (o.Unit != "" && o.Unit != work.Unit) || (o.Family != "" && o.Family != work.Family) {
		return o, work, fmt.Errorf("job %s is for unit %s of family %s, the order says %s of %s: leave them out, the job knows them", work.Job, work.Unit, work.Family, o.Unit, o.Family)
	}
	o.Job, o.Unit, o.Family = work.Job, work.Unit, work.Family
	return o, work, nil
}

// standIn makes what was put in or taken out an entry of the job.
func (r *rig) standIn(ctx context.Context, by, name string, count int, text string) error {
	if change := count - r.fitted(name); r.job != "" && change != 0 {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), jobWithin)
		defer cancel()
		if err := r.station.cfg.Jobs.CountStandIn(ctx, r.job, by, name, change, text); err != nil {
			return fmt.Errorf("stand-in %s was moved, but could not be counted: %w", name, err)
		}
	}
	r.setFitted(name, count)
	return nil
}

// begin takes over what the job knows to be in the drive: the count may be older than this process.
func (s *Station) begin(work job.Work) {
	if work.Job == "" {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fitted[work.Unit] = maps.Clone(work.StandIns)
}

// take puts the finished run into the record. Where that fails the journal has it, and the next start takes it.
func (s *Station) take(journal string) {
	if s.cfg.Jobs == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), takeWithin)
	defer cancel()
	err := s.cfg.Slot.Take(ctx)
	if err == nil {
		err = s.cfg.Jobs.Take(ctx, journal)
		s.cfg.Slot.Give()
	}
	if err != nil {
		s.emit(event.Note{Text: errors.Join(errors.New("the run is in its journal, not yet in the record; the next start tries again"), err).Error()})
	}
}

// takeWithin is how long a run may take to get into the record.
const takeWithin = time.Minute
