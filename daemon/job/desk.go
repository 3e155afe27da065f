package job

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/instruments/quantity"
)

// Shelf is what a desk needs to know of families and scripts.
type Shelf interface {
	// InStage names the scripts that a stage of a family needs, and beside them the others of the stage, that nobody has to run.
	InStage(family, stage string) (needed, beside []string, err error)
	Known(family string) error
	// Positions are the gate channels of a family's power devices, none where nobody has data for it.
	Positions(family string) []string
}

// Desk is where jobs are opened, written to and closed.
type Desk struct {
	book  *record.Book
	shelf Shelf
}

// NewDesk returns a desk over a book.
func NewDesk(book *record.Book, shelf Shelf) *Desk { return &Desk{book, shelf} }

// ErrAct says that an act does not make sense as it stands; nothing was written.
var ErrAct = errors.New("cannot be written down")

// Act is what somebody wants to be written into a job. Body is one of Remark, Move, Replacement, Refusal, Overridden, Release,
// Fitting, End, as JSON.
type Act struct {
	By     string          `json:"by"`
	Kind   string          `json:"kind"`
	Body   json.RawMessage `json:"body"`
	Photos []Upload        `json:"photos,omitempty"`
}

// NewAct is an act with its body.
func NewAct(by, kind string, body any, photos ...Upload) Act {
	data, err := json.Marshal(body)
	if err != nil {
		panic(err) // the bodies of this package are plain
	}
	return Act{By: by, Kind: kind, Body: data, Photos: photos}
}

// Open takes a drive in.
func (d *Desk) Open(ctx context.Context, a Act) (State, error) {
	in, err := bodyOf[Intake](a)
	if err != nil {
		return State{}, err
	}
	if in.Family == "" {
		in.Family = unknownFamily
	}
	if err := errors.Join(in.check(), named(a.By), d.shelf.Known(in.Family)); err != nil {
		return State{}, refused(err)
	}
	if err := d.room(a); err != nil {
		return State{}, err
	}
	pictures, stored, err := photos(a.Photos)
	if err != nil {
		return State{}, refused(err)
	}
	j := record.Job{Family: in.Family, Unit: in.Unit, Order: in.Order, Symptom: in.Symptom}
	j, err = d.book.NewJob(ctx, j, entryOf(a.By, Opened, in), in.Idle)
	if err != nil {
		return State{}, err
	}
	if len(stored) > 0 {
		if _, err := d.book.Append(ctx, j, entryOf(a.By, Noted, Remark{Text: "at intake", Photos: pictures}), "", stored...); err != nil {
			return State{}, err
		}
	}
	return d.Show(ctx, j.ID)
}

// room bounds what one act may carry.
func (d *Desk) room(a Act) error {
	if len(a.Photos) > 12 {
		return refused(fmt.Errorf("%d photos at once: give at most 12, the others with job note", len(a.Photos)))
	}
	return nil
}

func entryOf(by, kind string, body any) record.Entry {
	a := NewAct(by, kind, body)
	return record.Entry{By: by, Kind: kind, Body: a.Body}
}

func bodyOf[T any](a Act) (T, error) {
	var v T
	decoder := json.NewDecoder(bytes.NewReader(a.Body))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&v); err != nil {
		return v, refused(fmt.Errorf("%s: %w", a.Kind, err))
	}
	return v, nil
}

// refusal is a faulty act in its own words.
type refusal struct{ error }

func (r refusal) Is(target error) bool { return target == ErrAct }
func (r refusal) Unwrap() error        { return r.error }

func refused(err error) error { return refusal{err} }

func named(by string) error {
	if strings.TrimSpace(by) == "" {
		return errors.New("nobody's name is with it: give yours with --by")
	}
	return nil
}

// List lists jobs, the newest first.
func (d *Desk) List(ctx context.Context, f record.Filter) ([]record.Job, error) {
	return d.book.Jobs(ctx, f)
}

// Show is a job as it stands.
func (d *Desk) Show(ctx context.Context, id string) (State, error) {
	j, err := d.book.Job(ctx, id)
	if err != nil {
		return State{}, err
	}
	entries, err := d.book.Entries(ctx, j.ID)
	if err != nil {
		return State{}, err
	}
	runs, err := d.book.Runs(ctx, j.ID)
	if err != nil {
		return State{}, err
	}
	j.Entries = len(entries) // what was decided is decided on these
	return readState(j, entries, runs, d.shelf, func(run string) ([]event.Finding, error) { return d.findings(ctx, run) })
}

// findings are what a run found.
func (d *Desk) findings(ctx context.Context, run string) (found []event.Finding, err error) {
	_, events, err := d.book.Run(ctx, run)
	for _, e := range events {
		if f, ok := e.Body.(event.Finding); ok {
			found = append(found, f)
		}
	}
	return found, err
}

// Do writes an act into a job, or says why it cannot be done now.
func (d *Desk) Do(ctx context.Context, id string, a Act) (State, error) {
	if err := named(a.By); err != nil {
		return State{}, refused(err)
	}
	if err := d.room(a); err != nil {
		return State{}, err
	}
	s, err := d.Show(ctx, id)
	if err != nil {
		return s, err
	}
	if s.Closed.IsZero() == (a.Kind == Reopened) {
		return s, refused(fmt.Errorf("job %s is %s", s.ID, map[bool]string{true: "open", false: "closed; open it again with: benchwarden job reopen " + s.ID + " --text WHY"}[s.Closed.IsZero()]))
	}
	pictures, stored, err := photos(a.Photos)
	if err != nil {
		return s, refused(err)
	}
	do, ok := acts[a.Kind]
	if !ok {
		return s, refused(fmt.Errorf("nothing of the kind %q is written into a job", a.Kind))
	}
	body, words, err := do(&s, a, pictures)
	if err != nil {
		return s, err
	}
	if _, err := d.book.Append(ctx, s.Job, entryOf(a.By, a.Kind, body), words, stored...); err != nil {
		return s, err
	}
	return d.Show(ctx, s.ID)
}

// acts make an entry's body of an act: they check it against the job as it stands and change the job's head.
var acts = map[string]func(s *State, a Act, pictures []Picture) (body any, words string, err error){
	Noted: func(s *State, a Act, pictures []Picture) (any, string, error) {
		r, err := bodyOf[Remark](a)
		r.Photos = pictures
		if err == nil && r.Text == "" && len(pictures) == 0 {
			err = refused(errors.New("an empty note: give --text or --photo"))
		}
		if r.Cause {
			s.Cause = r.Text
		}
		return r, r.Text, err
	},
	StandIn: func(s *State, a Act, pictures []Picture) (any, string, error) {
		m, err := bodyOf[Move](a)
		m.Name = strings.ReplaceAll(strings.TrimSpace(m.Name), " ", "_") // as a tag writes it, or as a family does
		m.Photos = pictures
		if err == nil {
			err = s.checkMove(m)
		}
		return m, "", err
	},
	Replaced: func(s *State, a Act, _ []Picture) (any, string, error) {
		r, err := bodyOf[Replacement](a)
		if err == nil {
			if err = r.check(); err != nil {
				err = refused(err)
			}
		}
		if err == nil && r.For != "" {
			err = s.proposed(r.For)
		}
		return r, r.Part + " " + r.Why, err
	},
	Declined: func(s *State, a Act, _ []Picture) (any, string, error) {
		r, err := bodyOf[Refusal](a)
		if err == nil {
			err = cmp.Or(r.check(), s.proposed(r.For))
		}
		return r, r.Reason, err
	},
	Removed: func(s *State, a Act, _ []Picture) (any, string, error) {
		r, err := bodyOf[Remark](a)
		return r, r.Text, err
	},
	Override: func(_ *State, a Act, _ []Picture) (any, string, error) {
		o, err := bodyOf[Overridden](a)
		if err == nil && o.Reason == "" {
			err = refused(errors.New("an override carries a reason"))
		}
		if stages := []drive.Stage{drive.Cold, drive.Rails, drive.Fitted}; err == nil && !slices.Contains(stages, drive.Stage(o.Stage)) {
			err = refused(fmt.Errorf("stage %q is not one of %v; the board stage is overridden by job release, the fitting record by job fitted", o.Stage, stages))
		}
		return o, "", err
	},
	Released: func(s *State, a Act, _ []Picture) (any, string, error) {
		r, err := bodyOf[Release](a)
		if err != nil {
			return r, "", err
		}
		r.Runs, r.Missing = s.toRelease()
		if len(r.Missing) > 0 && r.Override == "" {
			return r, "", refused(&NotYet{Job: s.ID, What: "release to fit", Open: r.Missing})
		}
		return r, "", nil
	},
	Fitted: func(s *State, a Act, _ []Picture) (any, string, error) {
		f, err := bodyOf[Fitting](a)
		if err != nil {
			return f, "", err
		}
		if s.released == 0 {
			return f, "", refused(&NotYet{Job: s.ID, What: "the fitting record", Open: s.toPowerUp()[:1]})
		}
		f.Missing = s.toFit(f)
		if len(f.Missing) > 0 && f.Override == "" {
			return f, "", refused(&NotYet{Job: s.ID, What: "the fitting record", Open: f.Missing})
		}
		return f, "", nil
	},
	Closed: func(s *State, a Act, _ []Picture) (any, string, error) {
		e, err := bodyOf[End](a)
		if err != nil {
			return e, "", err
		}
		if err := e.check(); err != nil {
			return e, "", refused(err)
		}
		if standing := s.standing(); len(standing) > 0 {
			return e, "", refused(&NotYet{Job: s.ID, What: "its end", Open: standing})
		}
		if e.Cause != "" {
			s.Cause = e.Cause
		}
		s.Closed, s.Outcome = now(), e.Outcome
		return e, e.Cause, nil
	},
	Reopened: func(s *State, a Act, _ []Picture) (any, string, error) {
		r, err := bodyOf[Remark](a)
		if err == nil && r.Text == "" {
			err = refused(errors.New("say why the job is opened again, with --text"))
		}
		s.Closed, s.Outcome = never, ""
		s.Reopened++
		return r, r.Text, err
	},
}

func (s *State) checkMove(m Move) error {
	switch have := s.StandIns[m.Name]; {
	case m.Name == "" || m.Count == 0:
		return refused(errors.New("a stand-in has a name and a count: above zero is put in, below zero is taken out"))
	case m.Count > 0 && m.Where == "" && len(m.Photos) == 0:
		return refused(fmt.Errorf("stand-in %s: say where it was put, with --where or --photo, so that it is found again", m.Name))
	case have+m.Count < 0:
		return refused(fmt.Errorf("stand-in %s: %d taken out, but %d went in: count again%s", m.Name, -m.Count, have, s.inNow()))
	}
	return nil
}

// inNow names what is in the drive, for a message.
func (s *State) inNow() string {
	var in []string
	for _, name := range slices.Sorted(maps.Keys(s.StandIns)) {
		in = append(in, fmt.Sprintf("%d %s", s.StandIns[name], name))
	}
	if in == nil {
		return "; none is in the drive"
	}
	return "; in the drive are " + strings.Join(in, ", ")
}

// Between what a gate-source resistor may measure when it is in circuit: outside, it is not there or the gate is shorted
// (common practice, no source).
const (
	leastGateSource   quantity.Ohms = 500
	largestGateSource quantity.Ohms = 1e6
	// leastInsulation of a device's tab to the heatsink (common practice, no source).
	leastInsulation quantity.Ohms = 10e6
)

// toFit is what a fitting record is missing.
func (s *State) toFit(f Fitting) []string {
	open := s.standing()
	if !f.StandInsOut {
		open = append(open, "nobody has looked that all stand-ins are out (--stand-ins-out)")
	}
	if !(f.Insulation >= leastInsulation) { // this way round, NaN is missing too
		open = append(open, fmt.Sprintf("tab insulation is %v; at least %v is wanted (--insulation)", f.Insulation, leastInsulation))
	}
	for _, text := range []struct{ value, what string }{{f.Torque, "torque (--torque)"}, {f.Paste, "paste or pad (--paste)"}, {f.Electrolytics, "polarity of electrolytics (--electrolytics)"}} {
		if strings.TrimSpace(text.value) == "" {
			open = append(open, text.what+" is not recorded")
		}
	}
	if len(f.Devices) == 0 {
		open = append(open, "no new device is named (--device POSITION=OHMS)")
	}
	if left := s.unnamed(f); len(left) > 0 {
		why := "the board was tested without power devices"
		if s.wholeSet() {
			why = "the whole set is proposed"
		}
		open = append(open, fmt.Sprintf("%s, and no new device is named for %s", why, strings.Join(left, ", ")))
	}
	for _, d := range f.Devices {
		if !(d.GateSource >= leastGateSource && d.GateSource <= largestGateSource) {
			open = append(open, fmt.Sprintf("gate to source of %s measures %v, not between %v and %v: the gate-source resistor is missing or the gate is damaged",
				d.Position, d.GateSource, leastGateSource, largestGateSource))
		}
	}
	return open
}
