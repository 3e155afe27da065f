package dialect_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// device is a supply of the good file, with a voltage to be set and asked for.
func device() (*scpi.Device, *float64) {
	d := scpi.NewDevice([4]string{"Quayside Test", "supply", "7", "1.0"})
	volts := new(float64)
	d.Handle("[SOURce:]VOLTage", scpi.Command{Takes: 1,
		Do: func(c *scpi.Call) error {
			x, err := c.Ranged(0, scpi.Range{Max: 60})
			if err == nil {
				*volts = x
			}
			return err
		},
		Ask: func(*scpi.Call) (string, error) { return scpi.FormatNumber(*volts), nil }})
	d.Handle("MEASure:VOLTage", scpi.Command{Ask: func(*scpi.Call) (string, error) {
		return "", scpi.NewError(-230, "nothing was measured yet")
	}})
	return d, volts
}

func load(t testing.TB) *dialect.Dialect {
	d, err := dialect.Load("testdata/good.yaml")
	require.NoError(t, err)
	return d
}

// inMemory opens a session that works in virtual time.
func inMemory(t *testing.T, d *dialect.Dialect, i *dialecttest.Instrument) *dialect.Session {
	s, err := dialect.Open(t.Context(), "bus", d, "tcp://192.0.2.1:5025", link.Options{Open: i.Open})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	i.Forget()
	return s
}

func set(v quantity.Volts) dialect.Args { return dialect.Args{"voltage": v} }

func TestWrongInstrumentIsOneClearLineAndGetsNothingButTheQuestion(t *testing.T) {
	i := dialecttest.OfDevice(scpi.NewDevice([4]string{"Quayside Test", "meter", "7", "1.0"}))
	address := i.Listen(t)
	_, err := dialect.Open(t.Context(), "bus", load(t), address, link.Options{})
	require.ErrorIs(t, err, dialect.ErrIdentity)
	require.EqualError(t, err, `bus: not the instrument that the bench file says: at `+address+` "Quayside Test,meter,7,1.0" answered, which is no good (its identity has to match ^Quayside Test,supply,)`)
	require.Equal(t, []string{"*IDN?"}, withoutTokens(i.Sent()))
}

// withoutTokens leaves out the questions that bring the link into step.
func withoutTokens(sent []string) []string {
	var rest []string
	for _, m := range sent {
		if !strings.HasPrefix(m, "*ESE ") {
			rest = append(rest, m)
		}
	}
	return rest
}

func TestIdentityIsTakenApart(t *testing.T) {
	require.Equal(t, dialect.Identity{Maker: "Quayside Simulated", Model: "supply SIMULATED", Serial: "7", Firmware: "1.0", Simulated: true,
		Raw: "Quayside Simulated,supply SIMULATED,7,1.0"}, dialect.ReadIdentity("Quayside Simulated,supply SIMULATED,7,1.0\r"))
	require.Equal(t, dialect.Identity{Maker: "TS-1", Raw: "TS-1"}, dialect.ReadIdentity("TS-1"))
	require.False(t, dialect.ReadIdentity("Maker,UNSIMULATED,1,2").Simulated)
	require.False(t, dialect.ReadIdentity("Maker,simulated,1,2").Simulated)
}

func TestDoWaitsAndReadsTheErrorQueue(t *testing.T) {
	d, volts := device()
	i := dialecttest.OfDevice(d)
	s := dialecttest.Session(t, "bus", load(t), i)
	require.Equal(t, "supply", s.Identity().Model)

	d.Report(scpi.NewError(-310, "older than the session"))
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(12)), "an older error is not blamed on this command")
	require.Equal(t, 12.0, *volts)
	i.Forget()
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(13)))
	require.Equal(t, []string{"VOLT 13.000", "*OPC?;:SYST:ERR?"}, withoutTokens(i.Sent()), "one exchange")

	err := s.Do(t.Context(), link.Script, "set_voltage", set(70))
	require.EqualError(t, err, `bus: the instrument did not accept "VOLT 70.000": -222 "Data out of range;70 is outside 0 to 60"`)
	var reported *dialect.InstrumentError
	require.ErrorAs(t, err, &reported)
	require.Equal(t, -222, reported.Reported[0].Number)
	require.Equal(t, 13.0, *volts)

	err = s.Do(t.Context(), link.Script, "set_current", dialect.Args{"current": quantity.Amperes(1)})
	require.ErrorContains(t, err, `did not accept "CURR 1000.0": -113 "Undefined header`) // SCPI-99 volume 2, chapter 21

	i.Forget()
	require.EqualError(t, s.Do(t.Context(), link.Script, "set_voltage", set(80.5)), "bus: set_voltage: voltage: 80.5 V is outside 0 V to 80 V; nothing was sent")
	require.EqualError(t, s.Do(t.Context(), link.Script, "sett_voltage", set(1)), "bus: dialect good has no command sett_voltage")
	err = s.DoAll(t.Context(), link.Script, dialect.Call{Command: "set_voltage", Args: set(1)}, dialect.Call{Command: "set_voltage", Args: set(81)})
	require.ErrorContains(t, err, "nothing was sent")
	require.Empty(t, i.Sent(), "all are looked at before the first is sent")
}

func TestUnansweredQuestionTellsTheInstrumentsReason(t *testing.T) {
	d, _ := device()
	s := dialecttest.Session(t, "bus", load(t), dialecttest.OfDevice(d))
	_, err := s.Ask(link.Patient(t.Context(), 50*time.Millisecond), link.Script, "voltage", nil)
	require.ErrorIs(t, err, link.ErrTimeout)
	require.ErrorContains(t, err, `the instrument reports -230 "Data corrupt or stale;nothing was measured yet"`)
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(1)))
}

func TestErrorsBelongToTheCommandThatCausedThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, _ := device()
		i := dialecttest.OfDevice(d)
		i.Fault = func(_ int, message string) dialecttest.Fault {
			if strings.HasPrefix(message, "VOLT") {
				return dialecttest.Fault{Late: 20 * time.Millisecond}
			}
			return dialecttest.Fault{}
		}
		s := inMemory(t, load(t), i)
		results := make(chan error, 2)
		go func() { results <- s.Do(t.Context(), link.Script, "set_voltage", set(70)) }()
		synctest.Wait()
		require.NoError(t, s.Do(t.Context(), link.Warden, "set_voltage", set(5)))
		require.ErrorContains(t, <-results, `"VOLT 70.000": -222`)
	})
}

func TestAnswerThatCannotBeReadPutsQuestionAndAnswerInStepAgain(t *testing.T) {
	d, _ := device()
	i := dialecttest.OfDevice(d)
	s := dialecttest.Session(t, "bus", load(t), i)
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(24)))
	spoilt := false
	i.Fault = func(_ int, message string) dialecttest.Fault {
		if message == "VOLT?" && !spoilt {
			spoilt = true
			return dialecttest.Fault{Answer: "Quayside Test,supply,7,1.0"} // a late answer to another question
		}
		return dialecttest.Fault{}
	}
	i.Forget()
	_, err := s.Ask(t.Context(), link.Warden, "voltage_setpoint", nil)
	require.ErrorIs(t, err, dialect.ErrUnreadable)
	require.ErrorContains(t, err, `bus: "VOLT?": the answer cannot be read`)
	require.Len(t, i.Sent(), 2)
	require.True(t, strings.HasPrefix(i.Sent()[1], "*ESE "))
	a, err := s.Ask(t.Context(), link.Warden, "voltage_setpoint", nil)
	require.NoError(t, err)
	v, err := a.Number()
	require.NoError(t, err)
	require.Equal(t, 24.0, v)
}

func TestTokenIsAnsweredByADeviceThatKeepsToTheStandard(t *testing.T) {
	d, _ := device()
	s := dialecttest.Session(t, "bus", load(t), dialecttest.OfDevice(d))
	require.NoError(t, s.Link().Send(t.Context(), link.Script, "VOLT 5"))
	require.True(t, s.Link().Unanswered())
	require.NoError(t, s.Link().Fence(t.Context()))
	require.False(t, s.Link().Unanswered())
}

func TestMakingSafeHasAConnectionOfItsOwn(t *testing.T) {
	d, volts := device()
	*volts = 30
	i := dialecttest.OfDevice(d)
	two := load(t)
	two.Connections = 2
	s := dialecttest.Session(t, "bus", two, i)
	require.NotNil(t, s.Spare())

	asked := make(chan struct{})
	i.Fault = func(_ int, message string) dialecttest.Fault {
		if message == "MEAS:VOLT?" {
			close(asked)
			return dialecttest.Fault{LoseMessage: true}
		}
		return dialecttest.Fault{}
	}
	cut := make(chan error, 1)
	go func() {
		_, err := s.Ask(t.Context(), link.Script, "voltage", nil)
		cut <- err
	}()
	<-asked
	a, err := s.Ask(t.Context(), link.MakeSafe, "voltage_setpoint", nil)
	require.NoError(t, err, "a script that waits on its own connection holds nobody up")
	v, err := a.Number()
	require.NoError(t, err)
	require.Equal(t, 30.0, v)

	require.NoError(t, s.Urgent(dialect.Call{Command: "set_voltage", Args: set(0)}))
	require.ErrorIs(t, <-cut, link.ErrCut)
	require.NoError(t, s.Do(t.Context(), link.MakeSafe, "set_voltage", set(0)))
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(0))) // the other connection has been served too
	require.Equal(t, 0.0, *volts)

	require.ErrorContains(t, s.Urgent(dialect.Call{Command: "set_voltage", Args: set(81)}), "nothing was sent")
}

func TestOneConnectionOnlyWhereTheInstrumentServesOne(t *testing.T) {
	d, _ := device()
	s := dialecttest.Session(t, "bus", load(t), dialecttest.OfDevice(d))
	require.Nil(t, s.Spare())
	require.NoError(t, s.Urgent(dialect.Call{Command: "set_voltage", Args: set(0)}))
}

// answers makes an instrument of a function that answers text; empty is no answer.
func answers(f func(message string) string) *dialecttest.Instrument {
	return &dialecttest.Instrument{New: func() dialecttest.Talk {
		return dialecttest.TalkFunc(func(message []byte) []byte {
			if a := f(string(message)); a != "" {
				return []byte(a)
			}
			return nil
		})
	}}
}

func TestWaitByPollAndByDelay(t *testing.T) {
	for _, test := range []struct {
		name    string
		wait    dialect.Wait
		busy    int // answers before the instrument has done it
		took    time.Duration
		wantErr string
	}{
		{"delay", dialect.Wait{By: dialect.ByDelay, Delay: 0.05}, 0, 50 * time.Millisecond, ""},
		{"poll", dialect.Wait{By: dialect.ByPoll, Delay: 0.01, Ask: "BUSY?", Done: "0"}, 3, 30 * time.Millisecond, ""},
		{"poll without end", dialect.Wait{By: dialect.ByPoll, Delay: 0.01, Ask: "BUSY?", Done: "0"}, 1e6, time.Second, `not carried out within 1s: "BUSY?" is still answered by "1"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				left := test.busy
				i := answers(func(message string) string {
					switch message {
					case "*IDN?":
						return "Quayside Test,supply,7,1.0"
					case "BUSY?":
						if left--; left >= 0 {
							return "1"
						}
						return "0"
					}
					return ""
				})
				d := load(t)
				d.Wait, d.ErrorQueue = test.wait, dialect.None
				s := inMemory(t, d, i)
				start := time.Now()
				err := s.Do(t.Context(), link.Script, "set_voltage", set(1))
				require.Equal(t, test.took, time.Since(start))
				if test.wantErr != "" {
					require.ErrorContains(t, err, test.wantErr)
					return
				}
				require.NoError(t, err)
			})
		})
	}
}

func TestErrorQueueThatNeverGetsEmptyIsAnError(t *testing.T) {
	i := answers(func(message string) string {
		switch message {
		case "*IDN?":
			return "Quayside Test,supply,7,1.0"
		case "*OPC?;:SYST:ERR?":
			return `1;-310,"System error"`
		case "SYST:ERR?":
			return `-310,"System error"`
		}
		return ""
	})
	s := dialecttest.Session(t, "bus", load(t), i)
	err := s.Do(t.Context(), link.Script, "set_voltage", set(1))
	require.ErrorContains(t, err, `bus: the error queue is not empty after 50 entries, the last of them -310 "System error"`)
}

func TestCancelledWaitEndsAtOnceWithItsCause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := answers(func(message string) string {
			if message == "*IDN?" {
				return "Quayside Test,supply,7,1.0"
			}
			return ""
		})
		d := load(t)
		d.Wait, d.ErrorQueue = dialect.Wait{By: dialect.ByDelay, Delay: 30}, dialect.None
		s := inMemory(t, d, i)
		why := errors.New("tripped")
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(time.Second, func() { cancel(why) })
		start := time.Now()
		require.ErrorIs(t, s.Do(ctx, link.Script, "set_voltage", set(1)), why)
		require.Equal(t, time.Second, time.Since(start))
	})
}

func TestOverlappedCommandIsNotWaitedFor(t *testing.T) {
	d, _ := device()
	i := dialecttest.OfDevice(d)
	loaded := load(t)
	command := loaded.Commands["set_voltage"]
	command.Overlapped = true
	loaded.Commands["set_voltage"] = command
	s := dialecttest.Session(t, "bus", loaded, i)
	require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(1))) // empties the queue
	i.Forget()
	require.ErrorContains(t, s.Do(t.Context(), link.Script, "set_voltage", set(70)), "-222")
	require.Equal(t, []string{"VOLT 70.000", "SYST:ERR?", "SYST:ERR?"}, i.Sent())
}

func TestAnotherInstrumentAfterAReconnectionIsNotTalkedTo(t *testing.T) {
	for _, test := range []struct {
		name, serial string
		same         bool
	}{{"the same", "7", true}, {"another", "8", false}} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d, _ := device()
				i := dialecttest.OfDevice(d)
				up := make(chan link.State, 10)
				s, err := dialect.Open(t.Context(), "bus", load(t), "tcp://192.0.2.1:5025",
					link.Options{Open: i.Open, OnState: func(s link.State) { up <- s }})
				require.NoError(t, err)
				defer s.Close()
				require.NoError(t, s.Do(t.Context(), link.Script, "set_voltage", set(1)))

				again := scpi.NewDevice([4]string{"Quayside Test", "supply", test.serial, "1.0"})
				again.Handle("[SOURce:]VOLTage", scpi.Command{Takes: 1, Do: func(*scpi.Call) error { return nil }})
				i.New = func() dialecttest.Talk { return again.NewSession() }
				i.Forget()
				s.Link().Drop()
				for !(<-up).Up {
				}
				err = s.Do(t.Context(), link.Script, "set_voltage", set(2))
				if test.same {
					require.NoError(t, err)
					require.Contains(t, i.Sent(), "VOLT 2.000")
					return
				}
				require.ErrorIs(t, err, dialect.ErrIdentity)
				require.ErrorContains(t, err, `since the connection came back "Quayside Test,supply,8,1.0" answers instead of "Quayside Test,supply,7,1.0"`)
				_, err = s.Ask(t.Context(), link.Warden, "voltage_setpoint", nil)
				require.ErrorIs(t, err, dialect.ErrIdentity)
				require.NotContains(t, i.Sent(), "VOLT 2.000")
				require.NotContains(t, i.Sent(), "VOLT?")
			})
		})
	}
}
