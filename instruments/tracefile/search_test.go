package tracefile

import (
	"bytes"
	"time"
)

// searchRate is how fast the ends of lines are found, in MB/s.
func searchRate(text []byte) float64 {
	began, lines := time.Now(), 0
	for range 5 {
		for rest := text; len(rest) > 0; lines++ {
			i := bytes.IndexByte(rest, '\n')
			if i < 0 {
				break
			}
			rest = rest[i+1:]
		}
	}
	if lines == 0 {
		return 0
	}
	return 5 * float64(len(text)) / time.Since(began).Seconds() / 1e6
}
