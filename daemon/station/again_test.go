package station

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
)

func TestAGarbledAnswerIsAskedForOnceMoreAndTold(t *testing.T) {
	garbled := errors.New("unreadable answer")
	stopped, stop := context.WithCancel(t.Context())
	stop()
	tests := []struct {
		name    string
		ctx     context.Context
		answers []error
		asked   int
		told    int
		want    error
	}{
		{"a good one", t.Context(), []error{nil}, 1, 0, nil},
		{"one garbled", t.Context(), []error{garbled, nil}, 2, 1, nil},
		{"two garbled", t.Context(), []error{garbled, garbled, nil}, 2, 1, garbled},
		{"nothing polls", t.Context(), []error{fmt.Errorf("x: %w", bench.ErrNotPolled), nil}, 1, 0, bench.ErrNotPolled},
		{"made safe", t.Context(), []error{bench.ErrMadeSafe, nil}, 1, 0, bench.ErrMadeSafe},
		{"the run was stopped", stopped, []error{garbled, nil}, 1, 0, garbled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var asked, told int
			_, err := again(tt.ctx, "bus_meter.voltage", func() (bench.Sample, error) {
				asked++
				return bench.Sample{}, tt.answers[asked-1]
			}, func(string) { told++ })
			require.ErrorIs(t, err, tt.want)
			require.Equal(t, tt.asked, asked)
			require.Equal(t, tt.told, told)
		})
	}
}
