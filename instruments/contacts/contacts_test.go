package contacts_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/contacts"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

func open(t *testing.T) (*contacts.Contacts, map[int]bool, *dialecttest.Instrument) {
	closed := map[int]bool{}
	d := scpi.NewDevice([4]string{"Quayside Test", "contacts", "1", "1"})
	move := func(to bool) func(*scpi.Call) error {
		return func(c *scpi.Call) error {
			list, err := c.Channels(0)
			for _, n := range list {
				closed[n] = to
			}
			return err
		}
	}
	d.Handle("ROUTe:CLOSe", scpi.Command{Takes: 1, Do: move(true), AskTakes: 1, Ask: func(c *scpi.Call) (string, error) {
		list, err := c.Channels(0)
		if err != nil {
			return "", err
		}
		return scpi.FormatBool(closed[list[0]]), nil
	}})
	d.Handle("ROUTe:OPEN", scpi.Command{Takes: 1, Do: move(false)})
	d.Handle("SENSe:DIGital:DATA:BIT<1..4>", scpi.Command{Ask: func(c *scpi.Call) (string, error) { return scpi.FormatBool(c.Suffix(0) == 2), nil }})
	i := dialecttest.OfDevice(d)
	c := contacts.New("contacts", dialecttest.Session(t, "contacts", dialecttest.Ours(t, "plain-contacts"), i), map[string]contacts.Channel{
		"enable": {Number: 3}, "inhibit": {Number: 4}, "bus_contactor": {Number: 7},
		"interlock": {Number: 2, Input: true, Normal: true}, "pedal": {Number: 1, Input: true},
	})
	require.NoError(t, c.Set(t.Context(), link.Script, "inhibit", false))
	i.Forget()
	return c, closed, i
}

func TestContactsMoveByName(t *testing.T) {
	c, closed, i := open(t)
	ctx := t.Context()
	require.NoError(t, c.Set(ctx, link.Script, "enable", true))
	require.Equal(t, "ROUT:CLOS (@3)", i.Sent()[0])
	require.True(t, closed[3])
	is, err := c.Closed(ctx, link.Warden, "enable")
	require.NoError(t, err)
	require.True(t, is)
	for name, want := range map[string]bool{"interlock": true, "pedal": false} {
		is, err := c.Input(ctx, link.Warden, name)
		require.NoError(t, err)
		require.Equal(t, want, is, name)
	}
	i.Forget()
	require.NoError(t, c.Urgent(map[string]bool{"inhibit": true, "bus_contactor": false, "enable": false}))
	require.NoError(t, c.Set(ctx, link.MakeSafe, "enable", false))
	require.NoError(t, c.Set(ctx, link.Script, "enable", false)) // the other connection has been served too
	require.Equal(t, map[int]bool{3: false, 4: true, 7: false}, closed)
}

func TestUrgentOpensBeforeItCloses(t *testing.T) {
	c, _, i := open(t)
	require.NoError(t, c.Urgent(map[string]bool{"inhibit": true, "bus_contactor": false, "enable": false}))
	_, err := c.Closed(t.Context(), link.MakeSafe, "enable")
	require.NoError(t, err)
	_, err = c.Closed(t.Context(), link.Script, "enable") // the other connection has been served too
	require.NoError(t, err)
	var moves []string
	for _, m := range i.Sent() {
		if m[:4] == "ROUT" && m[9] != '?' {
			moves = append(moves, m)
		}
	}
	first := []string{"ROUT:OPEN (@7)", "ROUT:OPEN (@3)", "ROUT:CLOS (@4)"}
	require.Subset(t, first, moves)
	require.Equal(t, first[0], moves[0])
}

func TestUnknownContactIsRefusedWithWhatThereIs(t *testing.T) {
	c, _, i := open(t)
	ctx := t.Context()
	require.EqualError(t, c.Set(ctx, link.Script, "enabel", true), "contacts: contact enabel: not on this bench; there are bus_contactor, enable, inhibit")
	require.ErrorIs(t, c.Set(ctx, link.Script, "interlock", true), contacts.ErrUnknown)
	_, err := c.Input(ctx, link.Script, "enable")
	require.EqualError(t, err, "contacts: input enable: not on this bench; there are interlock, pedal")
	require.Empty(t, i.Sent())

	require.ErrorIs(t, c.Urgent(map[string]bool{"inhibit": true, "nothing": false}), contacts.ErrUnknown)
	is, err := c.Closed(ctx, link.MakeSafe, "inhibit")
	require.NoError(t, err)
	require.True(t, is, "the others were moved all the same")
}
