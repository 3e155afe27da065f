package station

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

var (
	seeds     = flag.Int("seeds", 300, "how many seeds TestSeeds simulates")
	firstSeed = flag.Uint64("seed", 1, "the first seed of TestSeeds")
	tell      = flag.Bool("tell", false, "TestSeeds tells every event and every message that an instrument takes")
	tries     = flag.Int("again", 1, "TestSeeds runs a seed so often, or until it breaks a promise")
	untilOne  = flag.Bool("until-broken", false, "TestSeeds ends with the first seed that breaks a promise")
)

const simBench = `
bench: sim
person: simulated
act: {by: console}
earthing: {bus_feed: isolated, control_common: isolated}
emergency_stop: none, everything here is in memory
limiter: {kind: resistor, value: 47 ohm}
period: PERIOD
ceilings: {voltage: 400 V, current: 2 A, power: 300 W}
safe_voltage: 50 V
state: {dir: STATE}
instruments:
  bus: {link: "tcp://bus:1", dialect: SUPPLY, safe: "off", order: 1, voltage_range: 400 V, current_range: 2 A, accuracy: {voltage: 0.05 % of reading + 50 mV, current: 0.2 % of reading + 2 mA}}
  bus_meter: {link: "tcp://bus_meter:1", dialect: plain-meter, accuracy: {voltage: 0.03 % of reading + 20 mV}}
  contacts:
    link: "tcp://contacts:1"
    dialect: plain-contacts
    order: 1
    contacts: {enable: {channel: 1, safe: open}, inhibit: {channel: 6, safe: closed}}
`

// runEnded is the cause of the make-safe that every run ends with.
const runEnded = "the run has ended"

// sim is one run of the real warden, bench, links and drivers on a world in memory.
type sim struct {
	*world
	seed     uint64
	dice     *rand.Rand // of the script, apart from the world's
	bench    *bench.Bench
	warden   *warden.Warden
	station  *Station // the bench's, without its files
	slot     *mindedSlot
	asked    chan event.Prompt
	trace    []string      // what was told, where it is kept
	keeps    bool          // it is
	period   time.Duration // of the polls
	over     chan struct{} // closed when the script has ended
	hung     time.Time     // since when the script computes
	full     time.Time     // since when the disk is full
	stopped  time.Time     // by a person, or a hold
	limits   map[string]float64
	trips    []event.Trip
	safety   []event.Safety
	ctx      context.Context // of the script
	stop     context.CancelCauseFunc
	answered bool // a trip was followed by a make-safe that was not the one of every run's end
	armed    bool
	above    time.Time // since when the true bus stands above the trip limit with the supply on
	wrong    time.Time // since when the bus counts as down and stands above the safe voltage
	tmu      sync.Mutex
}

// simDialects is a folder with the dialects of the simulation: those of the project, and a supply without a second connection.
var simDialects = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "sim-dialects")
	if err != nil {
		return "", err
	}
	text, err := os.ReadFile("../../configs/dialects/plain-supply.yaml")
	if err != nil {
		return "", err
	}
	single := strings.Replace(string(text), "connections: 2", "connections: 1", 1)
	return dir, os.WriteFile(filepath.Join(dir, "single-supply.yaml"), []byte(single), 0o600)
})

var simFamily = sync.OnceValues(func() (*drive.Family, error) { return drive.LoadNamed([]string{"../../configs/families"}, "heron") })

// schedule draws the faults of a seed: none for every eighth, else one to four.
func schedule(dice *rand.Rand, roles []string) (list []*trouble) {
	if dice.IntN(8) == 0 {
		return nil
	}
	for range 1 + dice.IntN(4) {
		t := &trouble{harm: harms[dice.IntN(len(harms))], at: time.Duration(dice.Int64N(int64(8 * time.Second))), times: 1 + dice.IntN(3), odd: dice.Float64()}
		if dice.IntN(4) == 0 {
			t.times = 1 << 20
		}
		if t.role = roleOfHarm[t.harm]; t.role == "" {
			t.role = roles[dice.IntN(len(roles))]
		}
		list = append(list, t)
	}
	return list
}

// run simulates one seed and returns the promises that it broke. lose is the exchange that is lost besides, 0 for none.
func run(t *testing.T, seed uint64, state string, lose int, loseReply bool, faults bool) (s *sim) {
	return runKept(t, seed, state, lose, loseReply, faults, false)
}

func runKept(t *testing.T, seed uint64, state string, lose int, loseReply bool, faults, keeps bool) (s *sim) {
	dialects, err := simDialects()
	require.NoError(t, err)
	family, err := simFamily()
	require.NoError(t, err)
	dice := rand.New(rand.NewPCG(seed, 1))
	supply := []string{"plain-supply", "single-supply", "watched-supply"}[dice.IntN(3)]
	text, roles := simBench, []string{"bus", "bus_meter", "contacts"}
	hasSides := dice.IntN(10) == 0
	if hasSides {
		text, roles = text+strings.TrimPrefix(sideBench, "\n"), append(roles, bench.Control, bench.Reference, bench.Hall)
	}
	period := []time.Duration{100 * time.Millisecond, 170 * time.Millisecond, 250 * time.Millisecond}[dice.IntN(3)]
	var list []*trouble
	if faults {
		list = schedule(dice, roles)
	}
	treadle := ""
	if faults {
		var worn *trouble
		if treadle, worn = drawsPedal(seed); treadle != "" {
			text = withPedal(text, treadle)
		}
		if worn != nil {
			list = append(list, worn)
		}
	}
	var byteTime time.Duration
	for _, t := range list {
		if t.harm == paced { // a period that such a line has the time for, on the one connection that it is
			byteTime, period, supply = 10*time.Second/9600, 600*time.Millisecond, "single-supply"
		}
	}
	text = strings.NewReplacer("STATE", state, "SUPPLY", supply, "PERIOD", fmt.Sprintf("%d ms", period.Milliseconds())).Replace(text)
	file, err := bench.DecodeFile("sim.yaml", []byte(text))
	require.NoError(t, err)
	defer func() {
		if p := recover(); p != nil {
			fmt.Fprintf(os.Stderr, "seed %d does not end: %v\n%s\n", seed, p, describe(list))
			panic(p)
		}
	}()
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(context.Background())
		defer end()
		s = &sim{seed: seed, dice: dice, world: newWorld(ctx, rand.New(rand.NewPCG(seed, 2)))}
		s.troubles, s.loseOne, s.loseReply, s.keeps, s.period, s.byteTime = list, lose, loseReply, keeps, period, byteTime
		s.tells = s.keep
		s.pedal = pedal{kind: treadle, down: s.has("pedal", rests)}
		s.over = make(chan struct{})
		s.station = &Station{cfg: Config{File: file, Journals: state, StateDir: state, Hub: event.NewHub()}, freeIn: s.freeIn}
		limits := family.LimitsFor(drive.Board)
		s.mostVolts, s.mostA = float64(limits.BusVoltage), float64(limits.CurrentLimit)
		s.mostControl, s.mostReference = float64(limits.ControlVoltage), float64(family.Reference.FullScale)
		s.farads *= 1 + float64(family.Bus.CapWithin)*(2*dice.Float64()-1)
		s.ohms *= 1 + float64(family.Bus.BleedWithin)*(2*dice.Float64()-1)
		if hasSides {
			s.sides = beside()
		}
		s.play(t, file, family, []string{dialects, "../../configs/dialects"})
		end()
		s.serving.Wait()
	})
	return s
}

func describe(list []*trouble) string {
	var lines []string
	for _, t := range list {
		lines = append(lines, "  "+t.String())
	}
	return strings.Join(lines, "\n")
}

// Emit keeps what matters and holds every reading to what the instruments gave (P5).
func (s *sim) Emit(e event.Event) {
	if *tell || s.keeps {
		s.tells("%s %s", e.Kind(), inWords(e.Body))
	}
	switch b := e.Body.(type) {
	case event.Prompt:
		s.asked <- b
	case event.Limits:
		s.held(b)
	case event.Trip:
		s.bar("a trip")
		s.tmu.Lock()
		s.trips = append(s.trips, b)
		s.tmu.Unlock()
	case event.Safety:
		s.tmu.Lock()
		s.safety = append(s.safety, b)
		s.answered = s.answered || len(s.trips) > 0 && b.Cause != runEnded
		s.tmu.Unlock()
	case event.Reading:
		if b.Error != "" || b.Text != "" {
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if !s.gave(b.Name, b.Value.Number, b.Asked, b.Arrived) {
			s.breaks("P5: %s is told as %v, asked at %v: no instrument gave that since", b.Name, b.Value, b.Asked.Sub(s.began))
		}
	}
}

func (s *sim) play(t *testing.T, file *bench.File, family *drive.Family, dialects []string) {
	s.ctx, s.stop = context.WithCancelCause(context.Background())
	defer s.stop(nil)
	s.warden = warden.New(warden.Config{Bench: "sim", Sink: s, Tick: 20*time.Millisecond + 13*time.Microsecond + 7, MakeSafe: s.station.tripped})
	s.staff()
	connect := func(ctx context.Context, role string, in *bench.Instrument, state func(link.State)) (*bench.Device, error) {
		return bench.Dial(file, dialects, nil, link.Options{Open: s.open(role), Resync: link.Resync{Token: s.token(role)}})(ctx, role, in, state)
	}
	var err error
	s.bench, err = bench.Open(context.Background(), file, bench.Config{Dialects: dialects, Sink: s, Guard: guard{s.warden, nil}, Consent: consent{s.station.desk}, Connect: connect})
	require.NoError(t, err)
	s.station.bench = s.bench
	s.mu.Lock()
	s.began = time.Now()
	s.mu.Unlock()

	life, endLife := context.WithCancel(context.Background())
	var group sync.WaitGroup
	group.Go(func() { _ = s.bench.Run(life) })
	group.Go(func() { _ = s.warden.Run(life) })
	group.Go(func() { s.watch(life) })
	group.Go(func() { s.strike(life) })
	group.Go(func() { s.person(life) })
	group.Go(func() { _ = s.station.watchPedal(life) })
	minding, endMinding := context.WithCancel(life)
	group.Go(func() { s.mind(minding) })

	<-time.After(1700*time.Microsecond + 11)
	runErr := s.script(family, file)
	close(s.over)
	endMinding()
	s.bar("the run is over")
	s.station.desk.Withdraw()
	s.warden.Disarm()
	s.mu.Lock()
	s.armed = false
	s.mu.Unlock()
	if s.warden.Tripped() != nil {
		<-time.After(11 * time.Millisecond) // the trip's own make-safe has begun by then
	}
	before := s.told()
	s.bench.MakeSafe(context.Background(), runEnded)
	if s.told() == before {
		s.mu.Lock()
		s.breaks("P1: nobody was told how make-safe ended")
		s.mu.Unlock()
	}
	down, _ := s.bench.AwaitDown(context.Background(), 10*time.Second)
	s.ends(runErr, down)
	<-time.After(3 * time.Second)
	down = s.bench.Down()
	s.ends(runErr, down)
	s.sidesEnd()
	s.again(family, file)
	if lasted := time.Since(s.began); lasted > 3*time.Minute {
		s.breaks("the run and its end took %v", lasted)
	}
	s.station.running.making.Wait()
	endLife()
	group.Wait()
	require.NoError(t, ignoreClosed(s.bench.Close()))
}

// told is how many ends of a make-safe were told.
func (s *sim) told() int {
	s.tmu.Lock()
	defer s.tmu.Unlock()
	return len(s.safety)
}

func ignoreClosed(err error) error {
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}

// script is a run: up in steps, perhaps off and on again, and down.
func (s *sim) script(family *drive.Family, file *bench.File) error {
	if err := s.warden.Arm("run-1", limitsFor(family, drive.Board, file)); err != nil {
		return err
	}
	ready, cancel := context.WithTimeout(s.ctx, 10*time.Second)
	defer cancel()
	if err := s.warden.AwaitReady(ready); err != nil {
		return err
	}
	if err := s.bench.Begin(stageOf("run-1", family, drive.Board, "S-1")); err != nil {
		return err
	}
	s.mu.Lock()
	s.armed = true
	s.mu.Unlock()
	s.setRunning(true)
	defer s.setRunning(false)
	if err := s.act(); err != nil {
		return err
	}
	if s.sides != nil {
		if err := s.sidesUp(s.ctx, family); err != nil {
			return err
		}
	}
	volts := quantity.Volts(10 + s.dice.IntN(30))
	if err := s.bench.SwitchOn(s.ctx, bench.Output{Role: bench.Bus, Voltage: volts, Current: 0.15}); err != nil {
		return err
	}
	for range 1 + s.dice.IntN(4) {
		if err := s.settles(volts); err != nil {
			return err
		}
		if err := s.hangs(); err != nil {
			return err
		}
		switch s.dice.IntN(6) {
		case 0: // a power cycle
			if err := s.bench.SwitchOff(s.ctx, bench.Bus); err != nil {
				return err
			}
			if err := s.pause(time.Duration(s.dice.IntN(1500)) * time.Millisecond); err != nil {
				return err
			}
			if err := s.bench.SwitchOn(s.ctx, bench.Output{Role: bench.Bus, Voltage: volts, Current: 0.15}); err != nil {
				return err
			}
		case 1: // past the limit: it has to be refused, and nothing sent
			if err := s.bench.SetVoltage(s.ctx, bench.Bus, 101); !errors.Is(err, bench.ErrPastLimit) && s.ctx.Err() == nil && !errors.Is(err, bench.ErrMadeSafe) {
				s.mu.Lock()
				s.breaks("P4: a setpoint past the limit was not refused: %v", err)
				s.mu.Unlock()
			}
		case 2: // a step down
			volts = max(volts-10, 5)
			if err := s.bench.SetVoltage(s.ctx, bench.Bus, volts); err != nil {
				return err
			}
			continue
		}
		volts = min(volts+quantity.Volts(5+s.dice.IntN(25)), 90)
		if err := s.bench.SetVoltage(s.ctx, bench.Bus, volts); err != nil {
			return err
		}
	}
	if err := s.settles(volts); err != nil {
		return err
	}
	_, err := s.bench.BringDown(s.ctx, 10*time.Second)
	return err
}

func (s *sim) setRunning(running bool) {
	s.mu.Lock()
	s.running, s.ranUntil = running, time.Now()
	s.mu.Unlock()
}

func (s *sim) pause(d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-s.ctx.Done():
		return context.Cause(s.ctx)
	}
}

// settles waits until the meter at the drive reads the voltage, or long enough.
func (s *sim) settles(volts quantity.Volts) error {
	until := time.Now().Add(2 * time.Second)
	for time.Now().Before(until) {
		ctx, cancel := context.WithTimeout(s.ctx, 5*time.Second)
		r, err := s.bench.Next(ctx, "bus_meter.voltage")
		cancel()
		if s.ctx.Err() != nil {
			return context.Cause(s.ctx)
		}
		if err != nil {
			return err
		}
		if r.Value.Number > 0.97*float64(volts) {
			return s.pause(300 * time.Millisecond)
		}
	}
	return nil
}

// strike does what faults do at their time.
func (s *sim) strike(ctx context.Context) {
	var group sync.WaitGroup
	defer group.Wait()
	for _, t := range s.troubles {
		group.Go(func() {
			select {
			case <-time.After(t.at):
			case <-ctx.Done():
				return
			}
			s.mu.Lock()
			s.flow()
			switch t.harm {
			case runsAway:
				s.runaway = 80 + 60*t.odd
			case drawsCurrent:
				s.draw = 0.3 * t.odd
			}
			s.mu.Unlock()
			switch t.harm {
			case personStops:
				s.isStopped(t.odd)
			case holds:
				s.hands(t.odd)
			case fillsDisk:
				s.mu.Lock()
				s.full = time.Now()
				s.mu.Unlock()
			case movesLimits:
				s.moves()
			case tightens:
				if restore, err := s.warden.Tighten("bus.voltage", quantity.Volts(95).Value()); err == nil {
					<-time.After(time.Second)
					restore()
				}
			}
		})
	}
}

func (s *sim) has(role string, kinds ...harm) bool {
	for _, t := range s.troubles {
		for _, k := range kinds {
			if t.harm == k && (role == "" || t.role == role) {
				return true
			}
		}
	}
	return false
}

// watch holds the bench to its promises while it works.
func (s *sim) watch(ctx context.Context) {
	const trip = 100.0 // V, of the stage
	for {
		select {
		case <-time.After(37*time.Millisecond + 7*time.Microsecond + 3):
		case <-ctx.Done():
			return
		}
		down := s.bench.Down()
		s.mu.Lock()
		s.flow()
		// P11. Where the supply lies about being off and the meter at the drive lies too, no bench could tell.
		bothLie := s.has("bus", saysOff) && s.has("bus_meter", frozen, leadOff)
		switch {
		case !down.Down() || s.volts <= 50.5 || bothLie:
			s.wrong = time.Time{}
		case s.wrong.IsZero():
			s.wrong = time.Now() // the next reading, a period and an exchange away, is the first that can show it
		case time.Since(s.wrong) > 150*time.Millisecond+s.slack():
			s.breaks("P11: the bus counts as down (%s) at %.2f V", down.State, s.volts)
			s.wrong = time.Now()
		}
		// P2. An off that the instrument ignores or does not get is no fault of the warden; it has to be told as NOT SAFE in the end.
		deaf := false
		for _, h := range []harm{ignoresOff, dead, lostCommand, dropsBefore} {
			deaf = deaf || s.acts("bus", h) != nil
		}
		if s.armed && s.on && s.volts > 1.01*trip && !deaf {
			if s.above.IsZero() {
				s.above = time.Now()
			}
			if since := time.Since(s.above); since > time.Second+s.slack() {
				s.breaks("P2: the bus stands at %.1f V, above the trip limit, for %v with the supply on", s.volts, since)
				s.above = time.Now()
			}
		} else {
			s.above = time.Time{}
		}
		s.watchPedal()
		s.watchPeople()
		s.mu.Unlock()
	}
}

// ends holds the bench to its promises at the end of a run.
func (s *sim) ends(runErr error, down bench.DownState) {
	safe := s.bench.LastSafe()
	tripped := s.warden.Tripped()
	s.tmu.Lock()
	trips, answered := len(s.trips), s.answered
	s.tmu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.flow()
	if safe.Confirmed && (s.on || s.onSent > 0) && !s.has("bus", saysOff) {
		s.breaks("P1: outputs count as confirmed, and the supply is on (%d more on their way)", s.onSent)
	}
	if safe.Confirmed && (s.contacts[1] || !s.contacts[6]) {
		s.breaks("P1: outputs count as confirmed, and enable is closed (%t) or inhibit is not", s.contacts[1])
	}
	if !safe.Confirmed && s.bench.Usable() == nil {
		s.breaks("P1: NOT SAFE, and a run may begin")
	}
	if trips > 0 && !answered {
		s.breaks("P2: a trip led to no make-safe")
	}
	if trips > 1 || (tripped != nil) != (trips == 1) {
		s.breaks("a trip is latched once: %d were told", trips)
	}
	if len(s.troubles) == 0 && s.loseOne == 0 {
		switch {
		case runErr != nil || trips > 0:
			s.breaks("nothing was wrong, and the run ended with: %v", runErr)
		case !safe.Confirmed || !down.Down():
			s.breaks("nothing was wrong, and the end is: confirmed %t, bus %s, %s", safe.Confirmed, down.State, down.Why)
		}
	}
}

// TestSeeds simulates benches whose faults a seed draws; the invariants are the promises.
func TestSeeds(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(800)) // a seed leaves little behind: collecting was a third of the time
	state := stateInMemory(t)
	began, tripped := time.Now(), 0
	for seed := *firstSeed; seed < *firstSeed+uint64(*seeds); seed++ {
		s := run(t, seed, state, 0, false, true)
		for n := 1; n < *tries && len(s.past) == 0; n++ {
			s = run(t, seed, state, 0, false, true)
		}
		if len(s.trips) > 0 {
			tripped++
		}
		if len(s.past) > 0 {
			t.Errorf("seed %d broke %s\nits faults:\n%s\nreplay: GOMAXPROCS=1 go test ./daemon/station -run '^TestSeeds$' -seeds 1 -seed %d -again 20 -tell -v", seed,
				strings.Join(s.past, "\n  "), describe(s.troubles), seed)
			if *untilOne {
				return
			}
		}
	}
	t.Logf("%d seeds in %.0f s, %d of them tripped", *seeds, time.Since(began).Seconds(), tripped)
	if *seeds >= 100 {
		require.Greater(t, tripped, *seeds/10, "faults have to lead to trips")
	}
}

// TestEachExchangeLost loses each exchange of a run in turn, its command and its answer.
func TestEachExchangeLost(t *testing.T) {
	for name, sides := range map[string]bool{"the bus alone": false, "with control supply, reference and Halls": true} {
		t.Run(name, func(t *testing.T) { loseEach(t, sides) })
	}
}

// loseEach takes the first seed that draws such a bench.
func loseEach(t *testing.T, sides bool) {
	state := stateInMemory(t)
	seed := uint64(1)
	whole := run(t, seed, state, 0, false, false)
	for ; (whole.sides != nil) != sides; whole = run(t, seed, state, 0, false, false) {
		seed++
	}
	require.Empty(t, whole.past)
	step := 1
	if testing.Short() {
		step = 17
	}
	for n := 1; n <= whole.exchanges; n += step {
		for _, reply := range []bool{false, true} {
			s := run(t, seed, state, n, reply, false)
			require.Empty(t, s.past, "exchange %d of %d lost, its answer only: %t", n, whole.exchanges, reply)
		}
	}
	t.Logf("%d exchanges, each lost as a command and as an answer", whole.exchanges)
}

// stateInMemory is a folder whose files are forced to no disk.
func stateInMemory(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "sim")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}
