package matrix_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/matrix"
	"benchwarden/instruments/scpi"
)

var wiring = matrix.Wiring{High: 1, Low: 2, Columns: map[string]int{"bus+": 1, "bus-": 2, "phase:A": 11}}

// relays is a matrix in memory; stuck contacts do not move.
type relays struct {
	closed map[scpi.Path]bool
	stuck  map[scpi.Path]bool
}

func (r *relays) set(p scpi.Path, to bool) {
	if !r.stuck[p] {
		r.closed[p] = to
	}
}

func (r *relays) list() []scpi.Path {
	var all []scpi.Path
	for p, is := range r.closed {
		if is {
			all = append(all, p)
		}
	}
	slices.SortFunc(all, func(a, b scpi.Path) int { return a.Row*1000 + a.Column - b.Row*1000 - b.Column })
	return all
}

func plain(r *relays) *dialecttest.Instrument {
	d := scpi.NewDevice([4]string{"Quayside Test", "matrix", "1", "1"})
	d.Handle("ROUTe:CLOSe", scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		list, err := c.Paths(0)
		for _, p := range list {
			r.set(p, true)
		}
		return err
	}, AskTakes: 1, Ask: func(c *scpi.Call) (string, error) {
		list, err := c.Paths(0)
		if err != nil {
			return "", err
		}
		return scpi.FormatBool(r.closed[list[0]]), nil
	}})
	d.Handle("ROUTe:OPEN:ALL", scpi.Command{Do: func(*scpi.Call) error {
		for _, p := range r.list() {
			r.set(p, false)
		}
		return nil
	}})
	d.Handle("ROUTe:CLOSe:STATe", scpi.Command{Ask: func(*scpi.Call) (string, error) {
		var texts []string
		for _, p := range r.list() {
			texts = append(texts, fmt.Sprintf("%d!%d", p.Row, p.Column))
		}
		list := "(@" + strings.Join(texts, ",") + ")"
		return fmt.Sprintf("#2%02d%s", len(list), list), nil
	}})
	return dialecttest.OfDevice(d)
}

// terse is the box with the serial protocol.
func terse(r *relays) *dialecttest.Instrument {
	return &dialecttest.Instrument{EOL: "\r", New: func() dialecttest.Talk {
		return dialecttest.TalkFunc(func(message []byte) []byte {
			var p scpi.Path
			switch text := string(message); {
			case text == "WHO":
				return []byte("Quayside,RM-2,1")
			case text == "CLR":
				for _, p := range r.list() {
					r.set(p, false)
				}
				return nil
			case text == "ASK ALL":
				answer := "K NONE"
				if all := r.list(); len(all) > 0 {
					answer = "K"
					for _, p := range all {
						answer += fmt.Sprintf(" %d.%02d", p.Row, p.Column)
					}
				}
				return []byte(answer)
			case scan(text, "SET %d %d", &p):
				r.set(p, true)
				return nil
			case scan(text, "ASK %d %d", &p):
				if r.closed[p] {
					return []byte("KI")
				}
				return []byte("KO")
			}
			return []byte("ERR")
		})
	}}
}

func scan(text, form string, p *scpi.Path) bool {
	n, err := fmt.Sscanf(text, form, &p.Row, &p.Column)
	return n == 2 && err == nil
}

func eachDialect(t *testing.T, test func(t *testing.T, m *matrix.Matrix, r *relays, i *dialecttest.Instrument)) {
	for name, serve := range map[string]func(*relays) *dialecttest.Instrument{"plain-matrix": plain, "terse-matrix": terse} {
		t.Run(name, func(t *testing.T) {
			r := &relays{closed: map[scpi.Path]bool{}, stuck: map[scpi.Path]bool{}}
			i := serve(r)
			m := matrix.New("matrix", dialecttest.Session(t, "matrix", dialecttest.Ours(t, name), i), wiring)
			require.NoError(t, m.Open(t.Context(), link.Script))
			i.Forget()
			test(t, m, r, i)
		})
	}
}

func TestMatrixConnectsTwoPointsAndNothingElse(t *testing.T) {
	eachDialect(t, func(t *testing.T, m *matrix.Matrix, r *relays, _ *dialecttest.Instrument) {
		ctx := t.Context()
		require.NoError(t, m.Connect(ctx, link.Script, "bus+", "phase:A"))
		require.Equal(t, []scpi.Path{{Row: 1, Column: 1}, {Row: 2, Column: 11}}, r.list())
		require.NoError(t, m.Connect(ctx, link.Script, "phase:A", "bus-"))
		require.Equal(t, []scpi.Path{{Row: 1, Column: 11}, {Row: 2, Column: 2}}, r.list(), "what was closed before is open")
		closed, err := m.Closed(ctx, link.Script)
		require.NoError(t, err)
		require.Contains(t, closed, "11")
		require.NoError(t, m.Join(ctx, link.Script, "bus+", "bus-"))
		require.Equal(t, []scpi.Path{{Row: 2, Column: 1}, {Row: 2, Column: 2}}, r.list(), "both on one row")
		require.NoError(t, m.Open(ctx, link.Script))
		require.Empty(t, r.list())
		closed, err = m.Closed(ctx, link.Script)
		require.NoError(t, err)
		require.Empty(t, closed)
	})
}

func TestMatrixSendsNothingForAPointThatItDoesNotReach(t *testing.T) {
	eachDialect(t, func(t *testing.T, m *matrix.Matrix, r *relays, i *dialecttest.Instrument) {
		require.True(t, m.Reaches("bus+"))
		require.False(t, m.Reaches("phase:B"))
		require.ErrorIs(t, m.Connect(t.Context(), link.Script, "bus+", "phase:B"), matrix.ErrUnknown)
		require.Empty(t, i.Sent())
	})
}

func TestMatrixTellsAContactThatDoesNotMove(t *testing.T) {
	eachDialect(t, func(t *testing.T, m *matrix.Matrix, r *relays, _ *dialecttest.Instrument) {
		r.stuck[scpi.Path{Row: 1, Column: 1}] = true
		require.ErrorIs(t, m.Connect(t.Context(), link.Script, "bus+", "bus-"), matrix.ErrStuck, "stays open")
		r.stuck = map[scpi.Path]bool{{Row: 2, Column: 11}: true}
		r.closed[scpi.Path{Row: 2, Column: 11}] = true
		err := m.Connect(t.Context(), link.Script, "bus+", "bus-")
		require.ErrorIs(t, err, matrix.ErrStuck, "welded")
		require.ErrorContains(t, err, "11")
		require.Equal(t, []scpi.Path{{Row: 2, Column: 11}}, r.list(), "nothing is closed beside a welded contact")
	})
}

func TestMatrixOpensAtOnce(t *testing.T) {
	eachDialect(t, func(t *testing.T, m *matrix.Matrix, r *relays, _ *dialecttest.Instrument) {
		require.NoError(t, m.Connect(t.Context(), link.Script, "bus+", "bus-"))
		require.NoError(t, m.OpenAll())
		closed, err := m.Closed(t.Context(), link.MakeSafe)
		require.NoError(t, err)
		require.Empty(t, closed)
		require.Empty(t, r.list())
	})
}
