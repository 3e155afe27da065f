package hall_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// source is a Hall source in memory after the open wire contract.
type source struct {
	on, running, reverse bool
	code, sense, spacing int
	lines                [3]string
	frequency            float64
}

func open(t *testing.T) (*hall.Hall, *source, *dialecttest.Instrument) {
	s := &source{sense: 7, spacing: 120}
	d := scpi.NewDevice([4]string{"Quayside Test", "Hall source", "1", "1"})
	d.Handle("OUTPut[:STATe]", scpi.Command{Takes: 1,
		Do:  func(c *scpi.Call) (err error) { s.on, err = c.Bool(0); return err },
		Ask: func(*scpi.Call) (string, error) { return scpi.FormatBool(s.on), nil }})
	d.Handle("[SOURce:]HALL:CODE", scpi.Command{Takes: 1, Do: func(c *scpi.Call) (err error) {
		if s.running {
			return scpi.NewError(-221, "running")
		}
		s.code, err = c.Int(0, 0, 7)
		s.sense = s.code
		return err
	}})
	d.Handle("[SOURce:]HALL:LINE<1..3>", scpi.Command{Takes: 1, Do: func(c *scpi.Call) (err error) {
		s.lines[c.Suffix(0)-1], err = c.Keyword(0, "DRIVen", "OPEN", "SHORt")
		return err
	}})
	d.Handle("[SOURce:]HALL:SPACing", scpi.Command{Takes: 1, Do: func(c *scpi.Call) (err error) { s.spacing, err = c.Int(0, 60, 120); return err }})
	d.Handle("[SOURce:]HALL:MODE", scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		word, err := c.Keyword(0, "HOLD", "RUN")
		s.running = word == "RUN"
		return err
	}})
	d.Handle("[SOURce:]HALL:FREQuency", scpi.Command{Takes: 1, Do: func(c *scpi.Call) (err error) {
		s.frequency, err = c.Ranged(0, scpi.Range{Unit: "HZ", Max: 1e4})
		return err
	}})
	d.Handle("[SOURce:]HALL:DIRection", scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		word, err := c.Keyword(0, "FORWard", "REVerse")
		s.reverse = word == "REV"
		return err
	}})
	d.Handle("SENSe:HALL:CODE", scpi.Command{Ask: func(*scpi.Call) (string, error) { return fmt.Sprint(s.sense), nil }})
	i := dialecttest.OfDevice(d)
	h := hall.New("hall", dialecttest.Session(t, "hall", dialecttest.Ours(t, "hall-source"), i))
	require.NoError(t, h.Output(t.Context(), link.Script, false))
	i.Forget()
	return h, s, i
}

func TestHallSourceDoesWhatItIsTold(t *testing.T) {
	h, s, _ := open(t)
	ctx := t.Context()
	require.NoError(t, h.Spacing(ctx, 60))
	require.NoError(t, h.Output(ctx, link.Script, true))
	require.NoError(t, h.Run(ctx, 12.5, true))
	require.Equal(t, source{on: true, running: true, reverse: true, spacing: 60, frequency: 12.5, sense: 7}, *s)
	require.NoError(t, h.SetCode(ctx, 5), "a code ends the running")
	require.False(t, s.running)
	code, err := h.Sense(ctx)
	require.NoError(t, err)
	require.Equal(t, 5, code)
	for line, state := range []hall.Line{hall.Driven, hall.Open, hall.Short} {
		require.NoError(t, h.SetLine(ctx, line+1, state))
	}
	require.Equal(t, [3]string{"DRIV", "OPEN", "SHOR"}, s.lines)
	require.NoError(t, h.Hold(ctx))
	on, err := h.On(ctx, link.Warden)
	require.NoError(t, err)
	require.True(t, on)
	require.NoError(t, h.Off())
	on, err = h.On(ctx, link.MakeSafe)
	require.NoError(t, err)
	require.False(t, on)
}

func TestWhatAHallSourceCannotDoIsNotSent(t *testing.T) {
	h, _, i := open(t)
	ctx := t.Context()
	for name, do := range map[string]func() error{
		"code 8":            func() error { return h.SetCode(ctx, 8) },
		"code -1":           func() error { return h.SetCode(ctx, -1) },
		"line 4":            func() error { return h.SetLine(ctx, 4, hall.Open) },
		"line 0":            func() error { return h.SetLine(ctx, 0, hall.Open) },
		"an unknown state":  func() error { return h.SetLine(ctx, 1, "loose") },
		"spacing of 90":     func() error { return h.Spacing(ctx, 90) },
		"faster than it is": func() error { return h.Run(ctx, 1e6, false) },
	} {
		err := do()
		require.ErrorContains(t, err, "nothing was sent", name)
		require.True(t, strings.HasPrefix(err.Error(), "hall: "), err)
	}
	require.Empty(t, i.Sent())
}

func TestSenseThatIsNoCodeIsNoReading(t *testing.T) {
	h, s, _ := open(t)
	s.sense = 8
	_, err := h.Sense(t.Context())
	require.ErrorIs(t, err, dialect.ErrUnreadable)
	require.EqualError(t, err, `hall: sense: the answer cannot be read: "8" is no Hall code`)
}
