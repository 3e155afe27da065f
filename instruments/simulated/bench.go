package simulated

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"benchwarden/instruments/simulated/plant"
)

// Options say what the simulated bench is like.
type Options struct {
	// Name is the bench's, one word; empty is "simulated".
	Name   string
	Params plant.Params  // the drive
	Plant  plant.Options // the unit on the bench; its seed is also that of the instruments
	Faults []Fault       // of instruments and links
	// Listen is the address of the first TCP instrument, with a port other than 0 the others have the next ones; empty is
	// "127.0.0.1:0".
	Listen string
	// Latency stretches the time that instruments take: 1 is realistic, 0 is none at all.
	Latency float64
}

// Bench is a running simulated bench.
type Bench struct {
	name   string
	seed   uint64
	pace   pace
	now    func() time.Time
	params plant.Params
	plant  *plant.Plant
	harms  map[string]*harm
	faults []Fault
	began  time.Time

	doors  map[string]door // by role
	dir    string          // of the serial ports' names
	scope  *scope
	matrix *matrix
	stick  *stick

	cancel context.CancelFunc
	group  *errgroup.Group
	ended  chan struct{} // closed when a door has failed or ctx has ended
	close  sync.Once
	err    error
}

// door is where an instrument is reached.
type door interface {
	link() string
	run(ctx context.Context) error
	close()
}

// serialRoles are reached over pseudo-terminals, the others over TCP.
var serialRoles = map[string]struct {
	settings string
	baud     int
}{
	"control": {"baud=9600&eol=cr", 9600},
	"hall":    {"baud=115200&eol=lf", 0},
}

// Start opens every instrument's port and serves it until ctx ends or Close.
func Start(ctx context.Context, o Options) (*Bench, error) {
	p, err := plant.New(o.Params, o.Plant)
	if err != nil {
		return nil, err
	}
	b := &Bench{
		name: o.Name, seed: o.Plant.Seed, pace: pace(o.Latency), now: o.Plant.Now, params: o.Params, plant: p,
		harms: map[string]*harm{}, faults: o.Faults, began: time.Now(), doors: map[string]door{}, ended: make(chan struct{}),
	}
	if b.name == "" {
		b.name = "simulated"
	}
	if b.now == nil {
		b.now = time.Now
	}
	if err := p.Place("P3", "control"); err != nil {
		return nil, err
	}
	ctx, b.cancel = context.WithCancel(ctx)
	if err := b.open(ctx, o.Listen); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	b.group, ctx = errgroup.WithContext(ctx)
	for role, d := range b.doors {
		b.group.Go(func() error {
			if err := d.run(ctx); err != nil {
				return fmt.Errorf("simulated %s: %w", role, err)
			}
			return nil
		})
	}
	context.AfterFunc(ctx, func() { close(b.ended) })
	return b, nil
}

// instruments makes them all.
func (b *Bench) instruments(ctx context.Context) map[string]*instrument {
	p := b.plant
	source := p.Reference()
	b.scope = b.newScope(ctx)
	b.matrix = b.newMatrix(p)
	control := b.newTerse("control", p.ControlSupply())
	all := map[string]*instrument{
		"bus":         &b.newFullSupply("bus", p.BusSupply()).instrument,
		"control":     &control.instrument,
		"reference":   &b.newSupply("reference", "reference source", source, -10, 10).instrument,
		"bus_meter":   &b.newMeter("bus_meter", busMeterGain, busMeterOffset, func() float64 { return float64(p.BusTerminals()) }, nil).instrument,
		"meter":       &b.newMeter("meter", meterGain, meterOffset, b.underMeter, b.betweenLeads).instrument,
		"hall":        &b.newHall(p.Hall()).instrument,
		"scope":       &b.scope.instrument,
		"matrix":      &b.matrix.instrument,
		"contacts":    &b.newContacts(p, b.params.FaultLamp).instrument,
		"person":      &b.newPerson(p).instrument,
		"temperature": &b.newThermometer("temperature", func() float64 { return float64(p.Temperature()) }).instrument,
	}
	for _, role := range []string{"bus_meter", "bus", "control"} {
		b.harmOf(role).leadOff = func() { p.LeadOff(role, true) }
	}
	return all
}

// underMeter is the voltage where the person has put the meter's leads; 0 where they hang free.
func (b *Bench) underMeter() float64 {
	point := b.plant.PointOf("M1")
	if point == "" {
		return 0
	}
	volts, err := b.plant.Point(point)
	if err != nil {
		return 0
	}
	return float64(volts)
}

// open opens the ports, in the order of the roles' names.
func (b *Bench) open(ctx context.Context, address string) error {
	if address == "" {
		address = "127.0.0.1:0"
	}
	host, first, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("listen on %q: %w", address, err)
	}
	number, err := strconv.Atoi(first)
	if err != nil {
		return fmt.Errorf("listen on %q: the port is no number", address)
	}
	if b.dir, err = os.MkdirTemp("", "benchwarden-simulated-"); err != nil {
		return fmt.Errorf("make a place for the serial ports' names: %w", err)
	}
	all := b.instruments(ctx)
	if b.stick, err = b.newStick(filepath.Join(b.dir, "stick")); err != nil {
		return err
	}
	for _, role := range slices.Sorted(maps.Keys(all)) {
		if s, ok := serialRoles[role]; ok {
			baud := s.baud
			if b.pace == 0 {
				baud = 0
			}
			p, err := plug(filepath.Join(b.dir, role), s.settings, baud, all[role])
			if err != nil {
				return fmt.Errorf("simulated %s: %w", role, err)
			}
			b.doors[role] = p
			continue
		}
		s, err := listen(net.JoinHostPort(host, strconv.Itoa(number)), all[role])
		if err != nil {
			return fmt.Errorf("simulated %s: %w", role, err)
		}
		b.doors[role] = s
		if number != 0 {
			number++
		}
	}
	return nil
}

// harmOf are the faults of a role's instrument.
func (b *Bench) harmOf(role string) *harm {
	h := b.harms[role]
	if h == nil {
		h = &harm{dice: newDice(b.seed, role+" faults"), start: b.began}
		for _, f := range b.faults {
			if f.Role == role {
				h.faults = append(h.faults, &mischief{Fault: f})
			}
		}
		b.harms[role] = h
	}
	return h
}

// serial is an instrument's serial number.
func (b *Bench) serial(role string) string { return fmt.Sprintf("SIM-%s-%d", role, b.seed) }

// Addresses are the instruments' addresses by role: tcp://host:port or serial:///path?settings.
func (b *Bench) Addresses() map[string]string {
	all := map[string]string{}
	for role, d := range b.doors {
		all[role] = d.link()
	}
	return all
}

// Run serves until ctx ends, which is no error, or a port fails; then everything is closed.
func (b *Bench) Run(ctx context.Context) error {
	select {
	case <-ctx.Done():
	case <-b.ended:
	}
	return b.Close()
}

// Close closes every port and waits until all that was under way has ended. It returns why a port failed, if one did.
func (b *Bench) Close() error {
	b.close.Do(func() {
		b.cancel()
		for _, d := range b.doors {
			d.close()
		}
		if b.group != nil {
			b.err = b.group.Wait()
		}
		if b.scope != nil {
			b.scope.started.Wait()
		}
		if b.dir != "" {
			b.err = errors.Join(b.err, os.RemoveAll(b.dir))
		}
	})
	return b.err
}
