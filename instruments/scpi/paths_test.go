package scpi

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func pathDevice() (*Session, *[]Path) {
	d := NewDevice([4]string{"Quayside Test", "matrix", "1", "1"})
	var got []Path
	d.Handle("PATHs", Command{Takes: 1, Do: func(c *Call) (err error) {
		got, err = c.Paths(0)
		return err
	}})
	return d.NewSession(), &got
}

func TestPathsOfAMatrix(t *testing.T) {
	tests := []struct {
		send  string
		want  []Path
		error int
	}{
		{"(@1!2)", []Path{{1, 2}}, 0},
		{"(@1!2,2!7)", []Path{{1, 2}, {2, 7}}, 0},
		{"(@ 1 ! 2 , 2!7 )", []Path{{1, 2}, {2, 7}}, 0},
		{"(@1!1:2!2)", []Path{{1, 1}, {1, 2}, {2, 1}, {2, 2}}, 0},
		{"(@2!2:1!1)", []Path{{2, 2}, {2, 1}, {1, 2}, {1, 1}}, 0},
		{"(@1)", nil, -171},
		{"(@1!)", nil, -171},
		{"(@1!2!3)", nil, -171},
		{"(1!2)", nil, -171},
		{"(@1!1:9!99999)", nil, -223},
		{"(@1!1:2147483647!2147483647)", nil, -223},
		{"1", nil, -128},
	}
	for _, test := range tests {
		t.Run(test.send, func(t *testing.T) {
			s, got := pathDevice()
			defer s.Close()
			s.Execute([]byte("PATH " + test.send))
			answer := string(s.Execute([]byte("SYST:ERR?")))
			if test.error != 0 {
				require.Contains(t, answer, fmt.Sprint(test.error))
				return
			}
			require.Contains(t, answer, "0,")
			require.Equal(t, test.want, *got)
		})
	}
}

func FuzzPaths(f *testing.F) {
	for _, seed := range []string{"(@1!2)", "(@1!1:2!2,3!3)", "(@2!2:1!1)", "(@1)", "(@9!9:"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, list string) {
		s, got := pathDevice()
		defer s.Close()
		s.Execute([]byte("PATH " + list))
		require.LessOrEqual(t, len(*got), mostChannels)
		for _, p := range *got {
			require.GreaterOrEqual(t, p.Row, 0)
			require.GreaterOrEqual(t, p.Column, 0)
		}
	})
}
