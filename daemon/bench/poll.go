package bench

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"

	"golang.org/x/sync/errgroup"
)

// Run polls every watched quantity at the bench's period, each instrument by itself so that a slow one does not age the
// readings of the others, and finishes what a make-safe had to leave until the bus was down. It returns nil when ctx ends.
func (b *Bench) Run(ctx context.Context) error {
	b.setPolling(true)
	defer b.setPolling(false)
	g, ctx := errgroup.WithContext(ctx)
	for i, in := range b.order {
		if ask := b.watched(in); ask != nil && in.file.Dialect != HandDialect {
			// Every poller has its own part of the period, so that one answer does not wait while another is judged, and an odd offset, so
			// that two of different periods never fall on the same instant.
			period := b.file.PeriodOf(in.role).Duration()
			offset := period*time.Duration(i)/time.Duration(len(b.order)) + time.Duration(1000+137*i)*time.Microsecond
			g.Go(func() error { return every(ctx, period, offset, func() { b.poll(ctx, in, ask) }) })
		}
	}
	g.Go(func() error {
		return every(ctx, reachEvery, reachEvery+173*time.Microsecond, func() { b.reachMissing(ctx) })
	})
	g.Go(func() error {
		return every(ctx, b.file.Period.Duration(), 311*time.Microsecond, func() {
			b.busNews()
			_ = b.finish(ctx) // an output it cannot confirm is told by its event and stands as NOT SAFE
		})
	})
	return g.Wait()
}

func (b *Bench) setPolling(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.polling = on
	close(b.news)
	b.news = make(chan struct{})
}

// every calls f once a period, the first time after offset, until ctx ends. A call that takes longer than a period costs the
// periods that it covered.
func every(ctx context.Context, period, offset time.Duration, f func()) error {
	first := time.NewTimer(offset)
	defer first.Stop()
	select {
	case <-ctx.Done():
		return nil
	case <-first.C:
	}
	tick := time.NewTicker(period)
	defer tick.Stop()
	for ctx.Err() == nil { // which of the two below is taken when both have come is a matter of chance
		f()
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
	return nil
}

// watched is how an instrument is asked for its watched quantities, nil if it has none.
func (b *Bench) watched(in *instrument) func(context.Context, *instrument) []Sample {
	switch in.role {
	case Bus, Control, Reference, Load:
		return askSupply
	case BusMeter:
		return askMeter("voltage", meter.DCVolts)
	case Temperature:
		return askMeter("value", meter.Temperature)
	case Contacts:
		if b.file.Interlock.Contact != "" {
			return askInterlock(b.file.Interlock.Contact)
		}
	}
	return nil
}

// Watched are the names of the readings that this bench polls.
func (b *Bench) Watched() []string {
	var names []string
	for _, in := range b.order {
		names = append(names, b.names(in)...)
	}
	slices.Sort(names)
	return names
}

func (b *Bench) names(in *instrument) []string {
	if b.watched(in) == nil {
		return nil
	}
	switch in.role {
	case BusMeter:
		return []string{in.role + ".voltage"}
	case Temperature:
		return []string{in.role + ".value"}
	case Contacts:
		return []string{"interlock"}
	}
	return []string{in.role + ".voltage", in.role + ".current", in.role + ".mode"}
}

// InterlockName is the watched quantity of the bench's interlock: "closed" when its contact stands as is normal, else "open".
const InterlockName = "interlock"

func askSupply(ctx context.Context, in *instrument) []Sample {
	r, err := in.device().Supply.Measure(ctx, link.Warden)
	samples := []Sample{
		{Name: in.role + ".voltage", Value: r.Voltage.Value(), Err: err},
		{Name: in.role + ".current", Value: r.Current.Value(), Err: err},
		{Name: in.role + ".mode", Text: string(r.Mode), Err: err},
	}
	if r.Tripped != "" {
		samples = append(samples, Sample{Name: in.role + ".protection", Text: r.Tripped})
	}
	return samples
}

func askMeter(name string, f meter.Function) func(context.Context, *instrument) []Sample {
	return func(ctx context.Context, in *instrument) []Sample {
		v, err := in.device().Meter.Read(ctx, link.Warden, f)
		return []Sample{{Name: in.role + "." + name, Value: v, Err: err}}
	}
}

func askInterlock(contact string) func(context.Context, *instrument) []Sample {
	return func(ctx context.Context, in *instrument) []Sample {
		closed, err := in.device().Contacts.Input(ctx, link.Warden, contact)
		good := closed == (in.file.Contacts[contact].Normal != "open")
		return []Sample{{Name: InterlockName, Text: contactWord(good), Err: err}}
	}
}

func (b *Bench) poll(ctx context.Context, in *instrument, ask func(context.Context, *instrument) []Sample) {
	if in.device() == nil {
		return
	}
	number, asked := b.asked.Add(1), time.Now()
	samples := ask(ctx, in)
	if ctx.Err() != nil {
		return // the bench ends; that is no failed reading
	}
	arrived := time.Now()
	for _, s := range samples {
		s.number, s.Asked, s.Arrived, s.Instrument = number, asked, arrived, in.role
		b.deliver(s)
	}
}

// deliver hands a sample to the guard, then to everybody else.
func (b *Bench) deliver(s Sample) {
	b.config.Guard.Feed(s)
	b.mu.Lock()
	b.follow(s)
	b.last[s.Name] = s
	close(b.news)
	b.news = make(chan struct{})
	b.mu.Unlock()
	r := event.Reading{Name: s.Name, Value: s.Value, Text: s.Text, Asked: s.Asked, Arrived: s.Arrived, Instrument: s.Instrument}
	if s.Err != nil {
		r.Error, r.Text = s.Err.Error(), ""
	}
	b.emit(r)
	if s.Instrument == BusMeter {
		b.busNews()
	}
}

// follow tells the bus's machine what was read.
func (b *Bench) follow(s Sample) {
	switch {
	case s.Name == BusMeter+".voltage" && s.Err != nil:
		b.down.silentMeter(s.Err)
	case s.Name == BusMeter+".voltage":
		b.down.read(s.Asked, s.Arrived, quantity.Volts(s.Value.Number))
	case s.Name == Bus+".voltage" && s.Err == nil:
		b.down.supplyReads(s.Arrived, quantity.Volts(s.Value.Number))
	}
}

// Next waits for the next poll of a watched quantity that is asked after this call. A poll that gave no reading is an error.
func (b *Bench) Next(ctx context.Context, name string) (Sample, error) {
	after := b.asked.Load()
	in := b.gives(name)
	if in == nil {
		return Sample{}, fmt.Errorf("%s: %w; it has %v", name, ErrNotPolled, b.Watched())
	}
	if err := in.reached(); err != nil {
		return Sample{}, err
	}
	if in.file.Dialect == HandDialect {
		b.poll(ctx, in, b.watched(in)) // a person is asked when somebody wants to know
		s, _ := b.Last(name)
		if s.number <= after {
			return Sample{}, fmt.Errorf("%s: %w", name, context.Cause(ctx))
		}
		return s, s.Err
	}
	for {
		b.mu.Lock()
		s, ok, news, polling := b.last[name], true, b.news, b.polling
		if s.number <= after {
			ok = false
		}
		b.mu.Unlock()
		if ok {
			return s, s.Err
		}
		if !polling {
			return Sample{}, fmt.Errorf("%s: %w: the bench is not being polled now", name, ErrNotPolled)
		}
		select {
		case <-ctx.Done():
			return Sample{}, fmt.Errorf("%s: %w", name, context.Cause(ctx))
		case <-news:
		}
	}
}

// Last is the latest sample of a watched quantity, ok false if there was none yet.
func (b *Bench) Last(name string) (s Sample, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, ok = b.last[name]
	return s, ok
}

// gives is the instrument that gives a reading.
func (b *Bench) gives(name string) *instrument {
	for _, in := range b.order {
		if slices.Contains(b.names(in), name) {
			return in
		}
	}
	return nil
}

// makingSafe says whether a make-safe is under way: it drops links itself, to throw away what is on its way there.
func (b *Bench) makingSafe() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.making != nil
}

// linkState passes on what happens to an instrument's links. A link that make-safe itself dropped is no loss.
func (b *Bench) linkState(role string) func(link.State) {
	var ours atomic.Bool
	return func(s link.State) {
		switch {
		case s.Up:
			if !ours.Swap(false) {
				b.emit(event.Link{Instrument: role, State: "up"})
			}
		case b.makingSafe():
			ours.Store(true)
		default:
			b.emit(event.Link{Instrument: role, State: "lost", Why: s.Err.Error()})
			b.config.Guard.LinkLost(role, s.Err)
		}
	}
}
