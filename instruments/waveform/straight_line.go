package waveform

import "math"

// lateness is what linear interpolation between samples does to the instant at which an edge passes a level, in samples: over
// all positions of the samples it is found late by a mean that lies somewhere from least to most, by the shape of the
// edge, and scatters about that by a standard deviation.
type lateness struct{ least, most, scatter float64 }

func (l lateness) middle() float64 { return (l.least + l.most) / 2 }
func (l lateness) half() float64   { return (l.most - l.least) / 2 }

// sampled are the numbers of samples on an edge, 10 % to 90 %, that latenesses are given for. The first stands for all below.
var sampled = [...]float64{1, 2, 3, 5, 8, 13, 20}

// latenesses are the worst over edges of known shapes (ramp, raised cosine, one pole, second order with a damping of 0.2 to
// 0.9), by the share of the way along the edge at which the level lies; computed, and held by TestInterpolationAtALevelStaysWithin.
var latenesses = [...]struct {
	share float64
	by    [len(sampled)]lateness
}{
	{0.1, [...]lateness{{-0.39, -0.205, 0.28}, {-0.23, -0.09, 0.17}, {-0.175, -0.055, 0.14}, {-0.101, -0.008, 0.10}, {-0.039, 0, 0.06}, {-0.018, 0.008, 0.020}, {-0.012, 0.010, 0.006}}},
	{0.2, [...]lateness{{-0.29, -0.105, 0.28}, {-0.09, -0.025, 0.12}, {-0.04, 0.003, 0.083}, {-0.024, 0.009, 0.04}, {-0.015, 0.022, 0.013}, {-0.009, 0.017, 0.007}, {-0.006, 0.010, 0.005}}},
	{0.3, [...]lateness{{-0.22, -0.04, 0.29}, {-0.04, 0.012, 0.083}, {-0.024, 0.034, 0.049}, {-0.015, 0.036, 0.018}, {-0.009, 0.023, 0.011}, {-0.006, 0.015, 0.007}, {-0.004, 0.010, 0.005}}},
	{0.5, [...]lateness{{-0.10, 0.08, 0.31}, {-0.015, 0.08, 0.05}, {-0.01, 0.061, 0.028}, {-0.006, 0.037, 0.017}, {-0.004, 0.023, 0.011}, {-0.003, 0.015, 0.007}, {-0.002, 0.010, 0.005}}},
	{0.7, [...]lateness{{-0.012, 0.20, 0.34}, {-0.001, 0.09, 0.042}, {0, 0.061, 0.028}, {0, 0.037, 0.017}, {0, 0.023, 0.011}, {0, 0.015, 0.007}, {0, 0.010, 0.005}}},
	{0.8, [...]lateness{{0.01, 0.30, 0.37}, {0.005, 0.091, 0.042}, {0.003, 0.061, 0.028}, {0, 0.037, 0.017}, {0, 0.023, 0.011}, {0, 0.015, 0.007}, {0, 0.010, 0.005}}},
	{0.9, [...]lateness{{0.02, 0.46, 0.45}, {0.013, 0.123, 0.10}, {0.009, 0.074, 0.062}, {0.005, 0.043, 0.020}, {0, 0.027, 0.013}, {0, 0.017, 0.008}, {0, 0.011, 0.006}}},
}

// latenessAt is the lateness at a share of the way along an edge of so many samples. Beyond 10 % and 90 % nothing is known of
// the shape: anywhere within a sample.
func latenessAt(share, samples float64) lateness {
	last := len(latenesses) - 1
	if !(share >= latenesses[0].share && share <= latenesses[last].share) {
		return lateness{-1, 1, 0.45}
	}
	i := 1
	for i < last && share > latenesses[i].share {
		i++
	}
	a, b := &latenesses[i-1], &latenesses[i]
	return mix(along(&a.by, samples), along(&b.by, samples), (share-a.share)/(b.share-a.share))
}

func along(by *[len(sampled)]lateness, samples float64) lateness {
	last := len(sampled) - 1
	if samples >= sampled[last] { // what is left is curvature, the same share of the edge
		f, l := sampled[last]/samples, by[last]
		return lateness{l.least * f, l.most * f, l.scatter * f}
	}
	i := 1
	for i < last && samples > sampled[i] {
		i++
	}
	return mix(by[i-1], by[i], math.Max(0, samples-sampled[i-1])/(sampled[i]-sampled[i-1]))
}

func mix(a, b lateness, share float64) lateness {
	to := func(x, y float64) float64 { return x + (y-x)*share }
	return lateness{to(a.least, b.least), to(a.most, b.most), to(a.scatter, b.scatter)}
}
