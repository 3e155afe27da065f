package waveform

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// The limits within which interpolation between samples is taken to err at any level of an edge hold for edges of known
// shapes, at any position of the samples, also between the entries of the table.
func TestInterpolationAtALevelStaysWithin(t *testing.T) {
	for name, edge := range map[string]shape{"ramp": ramp(1), "raised cosine": raisedCosine(1), "one pole": onePole(1),
		"ringing": secondOrder(1, 0.2), "less": secondOrder(1, 0.4), "second order": secondOrder(1, 0.9)} {
		for _, share := range []float64{0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9} {
			truth := edge.crossedAt(share)
			for _, n := range []float64{0.1, 0.5, 1, 1.4, 2, 2.5, 3, 4, 5, 6.5, 8, 10, 13, 16, 20, 60} {
				step := edge.duration() / n
				var late tally
				for k := range 100 {
					phase := (float64(k) + 0.5) / 100
					values := make([]float64, int(3*n)+20)
					for i := range values {
						values[i] = edge.at((float64(i) - 3 - phase) * step)
					}
					late.add(interpolate(values, floats(values).nextAtLeast(0, share), share) - 3 - phase - truth/step)
				}
				limit := latenessAt(share, n)
				slack := 0.01 / max(1, n/5) // the table is interpolated
				assert.Greater(t, late.mean(), limit.least-slack, "%s at %v, %v samples on the edge", name, share, n)
				assert.Less(t, late.mean(), limit.most+slack, "%s at %v, %v samples on the edge", name, share, n)
				assert.Less(t, late.deviation(), limit.scatter*1.1+slack, "%s at %v, %v samples on the edge", name, share, n)
			}
		}
	}
}
