package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"benchwarden/instruments/link"
)

// reachEvery is how often an instrument that was off when the bench was opened is tried again.
const reachEvery = 5 * time.Second

// reachMissing tries to reach what could not be reached, and makes the bench safe with it. No run can be going on meanwhile: a
// bench with an instrument missing begins none.
func (b *Bench) reachMissing(ctx context.Context) {
	var missing []*instrument
	for _, in := range b.order {
		if in.device() == nil {
			missing = append(missing, in)
		}
	}
	if len(missing) == 0 {
		return
	}
	var wg sync.WaitGroup
	for _, in := range missing {
		wg.Go(func() { in.connect(ctx, b.willing, b.linkState(in.role)) })
	}
	wg.Wait()
	var back []string
	for _, in := range missing {
		if in.device() != nil {
			back = append(back, in.role)
		}
	}
	if len(back) > 0 {
		b.MakeSafe(ctx, fmt.Sprintf("%s can be reached again", strings.Join(back, ", ")))
	}
}

// willing is the bench's Connector, but for a real instrument beside a simulated person.
func (b *Bench) willing(ctx context.Context, role string, in *Instrument, state func(link.State)) (*Device, error) {
	d, err := b.config.Connect(ctx, role, in, state)
	if err != nil || b.file.Person != "simulated" || d.Identity.Simulated {
		return d, err
	}
	err = fmt.Errorf("it says it is %q, but the person of this bench is simulated", d.Identity.Raw)
	if d.Close != nil {
		err = errors.Join(err, d.Close())
	}
	return nil, err
}
