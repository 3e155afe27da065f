package hands

import (
	"context"
	"fmt"
	"time"
)

// Pedal is a key or pedal at the bench: each press is one act. A press counts for a prompt only if the pedal was seen released
// while that prompt stood: a foot that rests on it allows nothing.
type Pedal struct {
	Name    string
	Pressed func(context.Context) (bool, error)
	Period  time.Duration // between two looks at it
	// Within is how long an answer may take while the pedal has to be held; one that is not there by then counts as let go.
	Within time.Duration
	// Released is called when the pedal that allowed the energising is let go, or can no longer be read, while that stands; what
	// is energised has to go down. Nil: a press is enough.
	Released func(why error)
}

// Watch has the pedal answer the desk's prompts until ctx ends.
func (d *Desk) Watch(ctx context.Context, p Pedal) error {
	tick := time.NewTicker(p.Period)
	defer tick.Stop()
	var ready string // the prompt that stood while the pedal was released
	var held bool    // the pedal allowed what is energised, and has to be held for that
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		pressed, err := p.look(ctx, held)
		if ctx.Err() != nil {
			return nil
		}
		held = held && d.underway()
		switch {
		case held && (err != nil || !pressed):
			held = false
			why := fmt.Errorf("%s was let go", p.Name)
			if err != nil {
				why = fmt.Errorf("%s can no longer be read: %w", p.Name, err)
			}
			p.Released(why)
		case err != nil:
			ready = ""
		case !pressed:
			ready = d.waitsForAct()
		case ready != "":
			answered := d.Answer(ready, Answer{By: p.Name + " at the bench", Text: "pressed", AtBench: true}) == nil // or somebody typed it
			held = held || answered && p.Released != nil
			ready = ""
		}
	}
}

func (p Pedal) look(ctx context.Context, held bool) (pressed bool, err error) {
	if held {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, p.Within)
		defer cancel()
	}
	return p.Pressed(ctx)
}

// waitsForAct is the prompt that an act at the bench answers now, "" if there is none.
func (d *Desk) waitsForAct() string {
	for _, p := range d.Open() {
		if p.Action == Clear || p.Action == Energise {
			return p.ID
		}
	}
	return ""
}

// underway says whether something is permitted, or an act is on its way to that.
func (d *Desk) underway() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.permit != nil || d.acting != nil
}
