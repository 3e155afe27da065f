package gates

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// The records of these tests are short, so a missing pulse may be rarer here than on a bench.
var sight = Sight{Accuracy: 0.2, Timebase: 50e-6, SkewU: 5e-9, OneIn: 150, Instrument: "test scope"}

func find(t *testing.T, checks []verdict.Check, name, subject string) verdict.Check {
	t.Helper()
	for _, k := range checks {
		if k.Name == name && k.Subject == subject {
			return k
		}
	}
	t.Fatalf("no check %q of %q", name, subject)
	return verdict.Check{}
}

func TestAGoodBoardPassesEveryCheckAndHasNoFinding(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		t.Run(name, func(t *testing.T) {
			b := newBoard(t, name)
			r := b.sweep(t, sight).Judge(Circumstances{})
			require.Empty(t, r.Findings)
			for _, k := range r.Checks {
				switch {
				case name == "unknown" && (k.Name == "rise time" || k.Name == "fall time"):
					require.Equal(t, verdict.NotShown, k.Outcome, "no gate load: %s of %s", k.Name, k.Subject)
				case name == "plover" || name == "unknown":
					if strings.HasSuffix(k.Subject, ".low") && (k.Name == "pulse timing" || k.Name == "missing pulses" || strings.HasSuffix(k.Name, "time")) {
						require.Equal(t, verdict.NotApplicable, k.Outcome, "%s of %s", k.Name, k.Subject)
						continue
					}
					fallthrough
				default:
					require.Equal(t, verdict.Pass, k.Outcome, "%s of %s: %s", k.Name, k.Subject, k.Reason)
				}
			}
			for _, row := range r.Chart.Rows {
				require.Len(t, row.Cells, len(r.Chart.Columns))
				for i, cell := range row.Cells {
					require.Equal(t, verdict.Pass, cell.Outcome, "%s at %s: %s", row.Channel, r.Chart.Columns[i], cell.Reason)
				}
			}
			require.Len(t, r.Chart.Legs, len(b.family.Bridge.Legs))
		})
	}
}

// Nothing seen, nothing passed: no view at all, and only one leg.
func TestAChartNeverPassesWhatItCouldNotSee(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		b := newBoard(t, name)
		r := New(b.family, sight).Judge(Circumstances{})
		require.NotEmpty(t, r.Checks)
		for _, k := range r.Checks {
			require.Contains(t, []verdict.Outcome{verdict.NotShown, verdict.Undecided}, k.Outcome, "%s of %s", k.Name, k.Subject)
			require.NotEmpty(t, k.Reason)
		}
		require.Empty(t, r.Findings, "nothing seen is no fault")
	}
	b := newBoard(t, "heron")
	hidden := sight
	hidden.Hidden = map[string]string{"B.high": "its switch node is not jumpered"}
	r := b.sweep(t, hidden).Judge(Circumstances{})
	for _, k := range r.Checks {
		if k.Subject == "B.high" || k.Subject == "leg B" {
			require.Equal(t, verdict.NotShown, k.Outcome, "%s of %s", k.Name, k.Subject)
			require.Contains(t, k.Reason, "not jumpered")
		}
	}
	require.Empty(t, r.Findings)
}

// fault is a board fault with what has to be said of it.
type fault struct {
	name, family string
	make         func(b *board)
	around       Circumstances
	failed       string // "check/subject" that has to fail
	subject      string // of the first finding
	says         []string
}

func faults() []fault {
	heron, plover, wren := "heron", "plover", "wren"
	on := func(channel string) func(*board) { return func(b *board) { b.channels[channel].stuck = "on" } }
	return []fault{
		{"stuck on", heron, on("B.low"), Circumstances{}, "gate pattern/B.low", "B.low", []string{"stuck on"}},
		{"stuck on", plover, on("C.high"), Circumstances{}, "gate pattern/C.high", "C.high", []string{"stuck on"}},
		{"stuck on", wren, on("A.low"), Circumstances{}, "gate pattern/A.low", "A.low", []string{"stuck on"}},
		{"stuck off with bias", heron, func(b *board) { b.channels["A.high"].stuck = "off" }, Circumstances{}, "gate pattern/A.high", "A.high", []string{"stuck off", "-7.99 V"}},
		{"dead, rail seen", heron, func(b *board) { b.channels["A.high"].stuck = "dead" }, Circumstances{OnRail: map[string]quantity.Volts{"A.high": 15}},
			"gate pattern/A.high", "A.high", []string{"dead", "has its supply"}},
		{"dead, rail seen", plover, func(b *board) { b.channels["B.low"].stuck = "off" }, Circumstances{OnRail: map[string]quantity.Volts{"B.low": 12}},
			"gate pattern/B.low", "B.low", []string{"dead", "has its supply"}},
		{"dead, rail bad", wren, func(b *board) { b.channels["B.low"].stuck = "off" }, Circumstances{BadRails: []string{"driver"}},
			"gate pattern/B.low", "B.low", []string{"rail driver"}},
		{"low level", heron, func(b *board) { b.channels["C.low"].on = 11 }, Circumstances{}, "gate level on/C.low", "C.low", []string{"low on level", "11"}},
		{"low level", wren, func(b *board) { b.channels["A.low"].on = 6.5 }, Circumstances{}, "gate level on/A.low", "A.low", []string{"low on level"}},
		{"low rail", heron, func(b *board) {
			for _, c := range []string{"A.low", "B.low", "C.low"} {
				b.channels[c].on = 12
			}
		}, Circumstances{}, "gate level on/B.low", "rail low_plus", []string{"A.low, B.low, C.low"}},
		{"bootstrap level", plover, func(b *board) { b.channels["A.high"].on = 8.2 }, Circumstances{}, "gate level on/A.high", "A.high", []string{"jumper", "bootstrap"}},
		{"no negative bias", heron, func(b *board) { b.channels["B.high"].off = 0 }, Circumstances{}, "gate level off/B.high", "B.high", []string{"no negative bias", "high_B_minus"}},
		{"weak driver", heron, func(b *board) { b.channels["A.low"].tauUp, b.channels["A.low"].tauDown = 300e-9, 300e-9 }, Circumstances{}, "rise time/A.low", "A.low", []string{"slowly both ways"}},
		{"slow rise", plover, func(b *board) { b.channels["C.high"].tauUp = 250e-9 }, Circumstances{}, "rise time/C.high", "C.high", []string{"rises slowly"}},
		{"slow fall", wren, func(b *board) { b.channels["B.high"].tauDown = 250e-9 }, Circumstances{}, "fall time/B.high", "B.high", []string{"falls slowly"}},
		{"narrow pulses", plover, func(b *board) { b.channels["B.high"].onDelay = 4e-6 }, Circumstances{}, "pulse timing/B.high", "B.high", []string{"narrow", "coupler"}},
		{"narrow pulses", wren, func(b *board) { b.channels["B.high"].onDelay = 6e-6 }, Circumstances{}, "pulse timing/B.high", "B.high", []string{"narrow", "coupler"}},
		{"ringing", heron, func(b *board) { b.channels["C.high"].ring = 14 }, Circumstances{}, "gate level on/C.high", "C.high", []string{"rings", "ground lead"}},
		{"swapped within a leg", heron, func(b *board) { b.swapped = [2]string{"B.high", "B.low"} }, Circumstances{}, "gate pattern/B.low", "B.high and B.low", []string{"exchanged", "probes"}},
		{"swapped between legs", heron, func(b *board) { b.swapped = [2]string{"A.high", "C.high"} }, Circumstances{}, "gate pattern/A.high", "A.high and C.high", []string{"exchanged", "probes"}},
		{"swapped between legs", plover, func(b *board) { b.swapped = [2]string{"A.low", "C.low"} }, Circumstances{}, "gate pattern/A.low", "A.low and C.low", []string{"exchanged", "probes"}},
		{"dead time missing", heron, func(b *board) { b.dead["A"] = [2]float64{0.05e-6, 0.05e-6} }, Circumstances{}, "dead time/leg A", "leg A", []string{"dead time"}},
		{"dead time short", heron, func(b *board) { b.dead["B"] = [2]float64{1.2e-6, 1.2e-6} }, Circumstances{}, "dead time/leg B", "leg B", []string{"too short"}},
		{"dead time long", wren, func(b *board) { b.dead["B"] = [2]float64{2.6e-6, 2.6e-6} }, Circumstances{}, "dead time/leg B", "leg B", []string{"too long"}},
		{"dead time short at reversal", plover, func(b *board) { b.dead["C"] = [2]float64{0.25e-6, 0.25e-6} }, Circumstances{}, "dead time/leg C", "leg C", []string{"too short"}},
		{"overlap on one edge", heron, func(b *board) { b.dead["C"] = [2]float64{-1e-6, 3e-6} }, Circumstances{}, "dead time/leg C", "leg C", []string{"one edge only", "high to low"}},
		{"overlap on both edges", wren, func(b *board) { b.dead["A"] = [2]float64{-0.5e-6, -0.5e-6} }, Circumstances{}, "dead time/leg A", "leg A", []string{"no dead time"}},
		{"missing pulses", heron, func(b *board) { b.channels["B.high"].missEvery = 50 }, Circumstances{}, "missing pulses/B.high", "B.high", []string{"loses pulses"}},
		{"missing pulses", wren, func(b *board) { b.channels["B.low"].missEvery = 15 }, Circumstances{}, "missing pulses/B.low", "B.low", []string{"loses pulses"}},
		{"late on both edges", heron, func(b *board) { b.channels["C.high"].onDelay, b.channels["C.high"].offDelay = 2.2e-6, 2.2e-6 }, Circumstances{}, "dead time/leg C", "C.high", []string{"late on both edges"}},
		{"late on both edges", wren, func(b *board) { b.channels["A.low"].onDelay, b.channels["A.low"].offDelay = 0.7e-6, 0.7e-6 }, Circumstances{}, "dead time/leg A", "A.low", []string{"late on both edges"}},
		{"dead time missing everywhere", wren, func(b *board) { b.dead["A"], b.dead["B"] = [2]float64{}, [2]float64{} }, Circumstances{}, "dead time/leg B", "dead time", []string{"every leg", "generator"}},
		{"bootstrap diode", plover, func(b *board) { b.channels["C.high"].stuck = "dead" }, Circumstances{OnRail: map[string]quantity.Volts{"C.high": 0.03}, Proven: map[string]bool{"C.high": true}},
			"gate pattern/C.high", "C.high", []string{"no supply", "bootstrap diode"}},
		{"low rail under bootstraps", plover, func(b *board) {
			for _, c := range b.family.Bridge.Channels {
				b.channels[c.Name].on = map[string]float64{"high": 9.2, "low": 10.2}[c.Kind]
			}
		}, Circumstances{}, "gate level on/A.high", "rail driver", []string{"A.high, B.high, C.high"}},
		{"low rail of one channel", heron, func(b *board) { b.channels["A.high"].on = 12.5 }, Circumstances{BadRails: []string{"high_A_plus"}}, "gate level on/A.high", "A.high", []string{"rail high_A_plus is out of limits"}},
		{"reference gain", heron, func(b *board) { b.duty = 0.15 }, Circumstances{}, "pulse timing/A.high", "reference", []string{"wrong duty", "gain"}},
		{"reference hardly answered", wren, func(b *board) { b.duty = 0.58 }, Circumstances{}, "gate pattern/A.high", "reference", []string{"idles in both directions", "gain"}},
		{"chopping frequency", heron, func(b *board) { b.period *= 1.2 }, Circumstances{}, "pulse timing/A.high", "chopping frequency", []string{"wrong frequency"}},
		{"ringing into the threshold", wren, func(b *board) { b.channels["A.high"].ring = 7 }, Circumstances{}, "gate level on/A.high", "A.high", []string{"rings"}},
		{"jitter everywhere", heron, func(b *board) { b.jitter = 1.2e-6 }, Circumstances{}, "pulse timing/A.high", "chopping period", []string{"jitter"}},
		{"jitter", heron, func(b *board) { b.channels["A.high"].jitter = 1.2e-6 }, Circumstances{}, "pulse timing/A.high", "A.high", []string{"jitter"}},
		{"bootstrap sags", plover, func(b *board) { b.channels["B.high"].sag = 4 }, Circumstances{}, "gate level on/B.high", "B.high", []string{"sags", "capacitor"}},
		{"hall open", heron, func(b *board) { b.reads = func(c int) int { return c | 0b010 } }, Circumstances{}, "gate pattern/A.high", "Hall 2", []string{"open"}},
		{"hall open, latching", heron, func(b *board) { b.reads, b.latch = func(c int) int { return c | 0b100 }, true }, Circumstances{}, "gate pattern/A.high", "Hall 1", []string{"open"}},
		{"hall shorted", plover, func(b *board) { b.reads = func(c int) int { return c &^ 0b001 } }, Circumstances{}, "gate pattern/A.high", "Hall 3", []string{"shorted"}},
		{"hall swapped", heron, func(b *board) { b.reads = func(c int) int { return exchange(c, 1, 0) } }, Circumstances{}, "gate pattern/A.high", "Hall 2 and Hall 3", []string{"exchanged"}},
		{"hall unplugged at 60 degrees", plover, func(b *board) { b.reads = func(int) int { return 0b111 } }, Circumstances{}, "gate pattern/A.high", "Hall inputs", []string{"do not follow"}},
		{"one polarity missing", heron, func(b *board) { b.deaf = drive.Reverse }, Circumstances{}, "gate pattern/A.high", "reference", []string{"one direction only", "reverse"}},
		{"one polarity missing", wren, func(b *board) { b.deaf = drive.Forward }, Circumstances{}, "gate pattern/A.high", "reference", []string{"one direction only", "forward"}},
		{"reference leads exchanged", plover, func(b *board) { b.turned = true }, Circumstances{}, "gate pattern/A.high", "reference", []string{"exchanged", "polarity"}},
		{"nothing fires, lamp lit", heron, func(b *board) { b.refuses = true }, Circumstances{Lamp: lit()}, "gate pattern/A.high", "drive", []string{"not the fault of a gate channel", "thermistor_resistor", "fault lamp is lit"}},
		{"stand-in missing", heron, func(b *board) { b.refuses = true }, Circumstances{Missing: []string{"thermistor_resistor"}}, "gate pattern/A.high", "thermistor_resistor", []string{"Not fitted"}},
		{"permissive withheld", wren, func(b *board) { b.refuses = true }, Circumstances{Withheld: []string{"enable"}}, "", "enable", []string{"does not give"}},
	}
}

func lit() *bool { b := true; return &b }

func TestEachFaultIsFoundAndNamed(t *testing.T) {
	for _, f := range faults() {
		t.Run(f.name+" "+f.family, func(t *testing.T) {
			b := newBoard(t, f.family)
			f.make(b)
			r := b.sweep(t, sight).Judge(f.around)
			require.NotEmpty(t, r.Findings)
			say := func(f event.Finding) string { return f.Text + " " + f.Part + " " + f.Do }
			require.Equal(t, f.subject, r.Findings[0].Subject, say(r.Findings[0]))
			for _, want := range f.says {
				require.Contains(t, say(r.Findings[0]), want)
			}
			if f.failed != "" {
				name, subject, _ := strings.Cut(f.failed, "/")
				k := find(t, r.Checks, name, subject)
				require.Equal(t, verdict.Fail, k.Outcome, k.Reason)
				require.NotEmpty(t, k.Part)
			}
			outcome, reasons := verdict.Sum(r.Checks, b.family.LimitsFor(drive.Board).Needs)
			require.NotEqual(t, verdict.Pass, outcome)
			require.NotEmpty(t, reasons)
			for i, other := range r.Findings[1:] {
				t.Logf("also %d: %s: %s", i, other.Subject, other.Text)
			}
		})
	}
}

func TestQuietSituationsAreHeldAgainstTheFamilysPatterns(t *testing.T) {
	all := func(asked string) func(string) string { return func(string) string { return asked } }
	toggle := func(channel string) string {
		_, side, _ := strings.Cut(channel, ".")
		return "toggle " + side
	}
	tests := []struct {
		name, family, check, subject string
		situation                    drive.Situation
		make                         func(*board)
		ask                          func(string) string
		want                         verdict.Outcome
		says                         string
	}{
		{"silent at zero reference", "heron", "zero reference", "", drive.Idle, nil, all("off"), verdict.Pass, ""},
		{"fires at zero reference", "heron", "zero reference", "", drive.Idle, func(b *board) { b.duty = 0.05 },
			func(c string) string {
				return map[string]string{"A.high": "first high", "A.low": "first low", "C.low": "on"}[c] + strings.Repeat("off", b2i(c[0] == 'B' || c == "C.high"))
			},
			verdict.Fail, "offset"},
		{"toggles at zero reference", "wren", "zero reference", "", drive.Idle, nil, toggle, verdict.Pass, ""},
		{"toggles off centre", "wren", "zero reference", "", drive.Idle, func(b *board) { b.idleDuty = 0.55 }, toggle, verdict.Fail, "idle pattern is wrong"},
		{"toggle missing", "wren", "zero reference", "", drive.Idle, nil, all("off"), verdict.Fail, "idle pattern is wrong"},
		{"inhibited", "plover", "inhibit", "", drive.Inhibited, nil, all("off"), verdict.Pass, ""},
		{"inhibit does not inhibit", "wren", "inhibit", "", drive.Inhibited, nil, toggle, verdict.Fail, "does not inhibit"},
		{"permissive does not stop", "wren", "permissive", "thermal", drive.Inhibited, nil, toggle, verdict.Fail, "does not stop when thermal is withdrawn"},
		{"invalid code refused", "plover", "invalid Hall code", "010", drive.InvalidHall, nil, all("off"), verdict.Pass, ""},
		{"invalid code fires", "heron", "invalid Hall code", "111", drive.InvalidHall, nil,
			func(c string) string {
				if c == "B.low" {
					return "on"
				}
				return "off"
			}, verdict.Fail, "fires gates at the invalid Hall code 111"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBoard(t, tt.family)
			if tt.make != nil {
				tt.make(b)
			}
			c := New(b.family, sight)
			b.quiet(t, c, tt.check, tt.subject, tt.situation, tt.ask)
			r := c.Judge(Circumstances{})
			subject := tt.subject
			if subject == "" {
				subject = "all gates"
			}
			k := find(t, r.Checks, tt.check, subject)
			require.Equal(t, tt.want, k.Outcome, k.Reason)
			if tt.says != "" {
				require.Contains(t, r.Findings[len(r.Findings)-1].Text, tt.says)
				require.NotEmpty(t, k.Part)
			} else {
				require.Empty(t, r.Findings)
			}
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func TestAQuietCheckNeedsEveryLeg(t *testing.T) {
	b := newBoard(t, "heron")
	c := New(b.family, sight)
	for _, leg := range []string{"A", "B"} {
		require.NoError(t, c.AddQuiet(Quiet{Check: "inhibit", Situation: drive.Inhibited, Leg: leg,
			Pair: b.pair(leg, func(string) string { return "off" }, longStep, longSamples)}))
	}
	k := find(t, c.Judge(Circumstances{}).Checks, "inhibit", "all gates")
	require.Equal(t, verdict.Undecided, k.Outcome)
	require.Contains(t, k.Reason, "leg C was not looked at")
}

func TestASilentChannelIsUndecidedUntilItsProbeWasSeen(t *testing.T) {
	b := newBoard(t, "plover")
	b.channels["B.low"].stuck = "dead"
	s := sight
	s.Probes = map[string]string{"B.low": "P2"}
	c := b.sweep(t, s)
	require.Equal(t, []string{"B.low"}, c.Silent())

	r := c.Judge(Circumstances{})
	k := find(t, r.Checks, "gate pattern", "B.low")
	require.Equal(t, verdict.Undecided, k.Outcome)
	require.Contains(t, k.Reason, "probe P2")
	require.Contains(t, k.Change, "driver:B.low")
	for _, k := range r.Checks {
		if k.Subject == "B.low" {
			require.NotEqual(t, verdict.Fail, k.Outcome, k.Name)
		}
	}
	require.Contains(t, r.Findings[0].Text, "nobody can tell yet")

	r = c.Judge(Circumstances{OnRail: map[string]quantity.Volts{"B.low": 0.02}})
	require.Equal(t, verdict.Undecided, find(t, r.Checks, "gate pattern", "B.low").Outcome, "the probe may be off")
	require.Contains(t, r.Findings[0].Part, "B.low, or the probe")

	r = c.Judge(Circumstances{OnRail: map[string]quantity.Volts{"B.low": 12}})
	require.Equal(t, verdict.Fail, find(t, r.Checks, "gate pattern", "B.low").Outcome)
	require.Contains(t, r.Findings[0].Text, "dead")
}

func TestANegativeBiasProvesThatTheProbeIsOnTheGate(t *testing.T) {
	b := newBoard(t, "heron")
	b.channels["B.low"].stuck = "off"
	c := b.sweep(t, sight)
	require.Empty(t, c.Silent())
	require.Equal(t, verdict.Fail, find(t, c.Judge(Circumstances{}).Checks, "gate pattern", "B.low").Outcome)
}

// Nothing fires: no channel may be called dead for it.
func TestNothingFiringIsNotAChannelsFault(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		b := newBoard(t, name)
		b.refuses = true
		r := b.sweep(t, sight).Judge(Circumstances{})
		require.Len(t, r.Findings, 1, name)
		require.Contains(t, r.Findings[0].Text, "not the fault of a gate channel")
		require.Contains(t, r.Findings[0].Do, "permissives")
		outcome, _ := verdict.Sum(r.Checks, b.family.LimitsFor(drive.Board).Needs)
		require.NotEqual(t, verdict.Pass, outcome)
	}
}

func TestADriveWithoutDataIsJudgedByItsSiblingsAndTheRulesOfCommutation(t *testing.T) {
	tests := []struct {
		name, subject, check, channel string
		make                          func(*board)
		says                          string
	}{
		{"low level", "C.high", "gate level on", "C.high", func(b *board) { b.channels["C.high"].on = 10.2 }, "on level"},
		{"off level", "A.low", "gate level off", "A.low", func(b *board) { b.channels["A.low"].off = -2 }, "off level"},
		{"stuck on", "B.high", "gate pattern", "B.high", func(b *board) { b.channels["B.high"].stuck = "on" }, "stuck on"},
		{"swapped", "A.low and C.low", "gate pattern", "A.low", func(b *board) { b.swapped = [2]string{"A.low", "C.low"} }, "exchanged"},
		{"narrow", "B.high", "pulse timing", "B.high", func(b *board) { b.channels["B.high"].onDelay = 5e-6 }, "narrow"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBoard(t, "unknown")
			tt.make(b)
			r := b.sweep(t, sight).Judge(Circumstances{})
			require.NotEmpty(t, r.Findings)
			require.Equal(t, tt.subject, r.Findings[0].Subject, r.Findings[0].Text)
			require.Contains(t, r.Findings[0].Text, tt.says)
			require.Equal(t, verdict.Fail, find(t, r.Checks, tt.check, tt.channel).Outcome)
		})
	}
}

// Published tables differ by whole steps of 60 degrees (one public reference has the same sequence advanced by one): a drive
// without data is taken as it is.
func TestAnUnknownDriveMayBeginItsCommutationElsewhere(t *testing.T) {
	b := newBoard(t, "unknown")
	b.hall = map[string][2]string{}
	order := []string{"100", "110", "010", "011", "001", "101"}
	for i, code := range order {
		b.hall[code] = table120[order[(i+1)%6]]
	}
	r := b.sweep(t, sight).Judge(Circumstances{})
	require.Empty(t, r.Findings)
	require.Equal(t, verdict.Pass, find(t, r.Checks, "gate pattern", "A.high").Outcome)
}

func TestAnUnknownDriveThatFitsNoCommutationIsUndecided(t *testing.T) {
	b := newBoard(t, "unknown")
	b.hall = map[string][2]string{"100": {"B", "C"}, "110": {"C", "B"}, "010": {"B", "C"}, "011": {"C", "B"}, "001": {"B", "C"}, "101": {"C", "B"}}
	r := b.sweep(t, sight).Judge(Circumstances{OnRail: map[string]quantity.Volts{"A.high": 12, "A.low": 12}})
	for _, k := range r.Checks {
		if k.Name == "gate pattern" {
			require.NotEqual(t, verdict.Pass, k.Outcome, k.Subject)
		}
	}
}

func TestFewPulsesDoNotProveThatNoneIsMissing(t *testing.T) {
	b := newBoard(t, "heron")
	s := sight
	s.OneIn = 100_000
	k := find(t, b.sweep(t, s).Judge(Circumstances{}).Checks, "missing pulses", "A.high")
	require.Equal(t, verdict.Undecided, k.Outcome)
	require.Contains(t, k.Reason, "only in 299572", "ln(0.05)/ln(1-1/100000), computed")
	require.NotEmpty(t, k.Change)
}

func TestAViewOfWhatTheFamilyDoesNotHaveIsRefused(t *testing.T) {
	b := newBoard(t, "heron")
	c := New(b.family, sight)
	require.ErrorContains(t, c.Add(View{Leg: "D", Code: 4, Direction: drive.Forward}), `no leg "D"`)
	require.ErrorContains(t, c.Add(View{Leg: "A", Code: 7, Direction: drive.Forward}), "111 forward is no valid Hall state")
	require.ErrorContains(t, c.AddReversal("D", Pair{}), `no leg "D"`)
	require.ErrorContains(t, c.AddQuiet(Quiet{Leg: "D"}), `no leg "D"`)
}
