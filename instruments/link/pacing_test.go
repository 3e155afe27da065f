package link

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestGapsAreKept(t *testing.T) {
	inBubble(t, "between messages and between characters", func(t *testing.T) {
		// 10 characters of 10 bits at 9600 baud take 10.4 ms on the wire.
		l, b := dial(t, onSerial, Options{Gap: 20 * time.Millisecond}, nil)
		for range 3 {
			require.NoError(t, l.Send(bg, Script, "SET:U 1.0"))
		}
		w := b.last().wrote
		require.Len(t, w, 3)
		for i := 1; i < 3; i++ {
			require.Equal(t, 20*time.Millisecond+WireTime(onSerial, 10), w[i].at.Sub(w[i-1].at))
		}
	})
	inBubble(t, "between characters", func(t *testing.T) {
		l, b := dial(t, onSerial, Options{CharacterGap: 3 * time.Millisecond}, nil)
		require.NoError(t, l.Send(bg, Script, "SET"))
		w := b.last().wrote
		require.Len(t, w, 4)
		for i := 1; i < 4; i++ {
			require.Equal(t, 3*time.Millisecond+WireTime(onSerial, 1), w[i].at.Sub(w[i-1].at))
		}
	})
}
