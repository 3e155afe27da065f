package waveform

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCodesBecomeVolts(t *testing.T) {
	u := FromUint8([]byte{0, 128, 255}, 0.1, -12.8)
	require.InDeltaSlice(t, []float64{-12.8, 0, 12.7}, all(u), 1e-12)
	s := FromInt8([]byte{0x80, 0, 0x7f}, 0.1, 1)
	require.InDeltaSlice(t, []float64{-11.8, 1, 13.7}, all(s), 1e-12)
	w := FromInt16([]int16{-32768, 0, 32767}, 1e-3, 0.5)
	require.InDeltaSlice(t, []float64{-32.268, 0.5, 33.267}, all(w), 1e-9)
	f := FromFloat64([]float64{1, -2})
	require.InDeltaSlice(t, []float64{1, -2}, all(f), 1e-12)
	n := FromInt8([]byte{0x80, 0, 0x7f}, -0.1, 1)
	require.InDeltaSlice(t, []float64{13.8, 1, -11.7}, all(n), 1e-12)
	m := FromInt16([]int16{-32768, 0, 32767}, -1e-3, 0.5)
	require.InDeltaSlice(t, []float64{33.268, 0.5, -32.267}, all(m), 1e-9)
}

func all(t Trace) []float64 {
	values := make([]float64, t.Len())
	for i := range values {
		values[i] = t.At(i)
	}
	return values
}

func TestClipCodesAreTheInstruments(t *testing.T) {
	raw := func() []byte {
		codes := make([]byte, 1000) // signed: -100 and 100 in turn
		for i := range codes {
			codes[i] = 100
			if i/100%2 == 0 {
				codes[i] = 156
			}
		}
		return codes
	}
	clipped := func(t Trace) (low, high bool) {
		t.Step = 1e-6
		p := Analyse(t, Options{})
		return !p.Low.Known(), !p.High.Known()
	}
	low, high := clipped(FromInt8(raw(), 0.1, 0))
	require.False(t, low || high)
	low, high = clipped(FromInt8(raw(), 0.1, 0).WithClip(-120, 100))
	require.True(t, !low && high)
	low, high = clipped(FromInt8(raw(), 0.1, 0).WithClip(-100, 120))
	require.True(t, low && !high)
	low, high = clipped(FromInt8(raw(), -0.1, 0).WithClip(-100, 120))
	require.True(t, !low && high, "turned round, the low code is the high level")
}

func TestTimesOfSamples(t *testing.T) {
	trace := FromUint8(make([]byte, 11), 1, 0)
	trace.Start, trace.Step = -1e-3, 1e-4
	require.InDelta(t, -1e-3, float64(trace.Time(0)), 1e-15)
	require.InDelta(t, 0, float64(trace.Time(10)), 1e-15)
	require.InDelta(t, 1e-3, float64(trace.Duration()), 1e-15)
	require.InDelta(t, 1e-3, float64(trace.Shifted(1e-3).Time(10)), 1e-15)
	require.Zero(t, Trace{}.Len())
	require.Zero(t, Trace{}.Duration())
}

func TestEnvelopeKeepsEverySpike(t *testing.T) {
	codes := make([]byte, 100_003)
	codes[77_777] = 200
	for i := range codes {
		codes[i] += 20
	}
	codes[5] = 3
	drawn := FromUint8(codes, 1, 0).Envelope(500)
	require.Len(t, drawn, 500)
	low, high := math.Inf(1), math.Inf(-1)
	for _, e := range drawn {
		low, high = min(low, e.Low), max(high, e.High)
	}
	require.InDelta(t, 3, low, 1e-12)
	require.InDelta(t, 220, high, 1e-12)
	require.Len(t, FromUint8(codes[:7], 1, 0).Envelope(500), 7)
	require.Empty(t, Trace{}.Envelope(500))
}

func TestJSONComesBackTheSame(t *testing.T) {
	traces := []Trace{
		FromUint8([]byte{0, 1, 254, 255}, 0.1, -3),
		FromInt8([]byte{0, 1, 254, 255}, -0.1, -3).WithClip(-100, 100),
		FromInt16([]int16{-32768, -1, 0, 32767}, 1e-4, 2),
		FromFloat64([]float64{1.5, -2.25, 1e-12}).WithResolution(0.01),
	}
	for _, want := range traces {
		want.Name, want.Start, want.Step = "gate:A.high", -1e-6, 4e-9
		data, err := json.Marshal(want)
		require.NoError(t, err)
		var got Trace
		require.NoError(t, json.Unmarshal(data, &got))
		require.Equal(t, all(want), all(got))
		require.Equal(t, want.Time(3), got.Time(3))
		require.Equal(t, want.clipHigh, got.clipHigh)
		require.Equal(t, want.clipLow, got.clipLow)
		require.Equal(t, want.Resolution(), got.Resolution())
		require.Equal(t, want.Name, got.Name)
	}
	data, err := json.Marshal(Trace{})
	require.NoError(t, err)
	var empty Trace
	require.NoError(t, json.Unmarshal(data, &empty))
	require.Zero(t, empty.Len())
}

func TestCompactFormOf8BitsIsSmall(t *testing.T) {
	trace := FromUint8(make([]byte, 30_000), 0.1, 0)
	data, err := json.Marshal(trace)
	require.NoError(t, err)
	require.Less(t, len(data), 30_000*4/3+300)
}

func FuzzTraceJSON(f *testing.F) {
	f.Add([]byte(`{"points":2,"form":"uint8","volts_per_code":1,"step_s":1,"samples":"AAE="}`))
	f.Add([]byte(`{"points":1,"form":"int16","volts_per_code":1e308,"step_s":1,"samples":"AAE="}`))
	f.Add([]byte(`{"points":1,"form":"float64","volts_per_code":1,"offset_v":3,"samples":"AAEAAAAAAAE="}`))
	f.Add([]byte(`{"points":-1,"form":"float64","volts_per_code":1}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var trace Trace
		if trace.UnmarshalJSON(data) != nil {
			require.Zero(t, trace.Len(), "a refused text changes nothing")
			return
		}
		require.Positive(t, trace.scale)
		again, err := json.Marshal(trace)
		require.NoError(t, err)
		var same Trace
		require.NoError(t, json.Unmarshal(again, &same))
		require.Equal(t, trace.Len(), same.Len())
		for i := range trace.Len() {
			require.Equal(t, math.Float64bits(trace.At(i)), math.Float64bits(same.At(i)))
		}
		p := Analyse(trace, Options{}) // nothing that can be read may panic
		require.NotEmpty(t, p.Kind)
		Crossings(trace, 1)
		Missing(trace, 10*trace.Step, Options{})
		Leg(trace, trace, LegOptions{ThresholdHigh: 2, ThresholdLow: 2})
	})
}

func TestSearchByEightBytesAgreesWithOneByOne(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 3000 {
		codes := make([]byte, random.IntN(150))
		spread := 1 + random.IntN(256)
		for i := range codes {
			codes[i] = byte(random.IntN(spread))
		}
		level := float64(random.IntN(260)-2) + []float64{0, 0.25, 0.75}[random.IntN(3)]
		from := random.IntN(len(codes) + 1)
		least, most := len(codes), len(codes)
		for i := len(codes) - 1; i >= from; i-- {
			if float64(codes[i]) >= level {
				least = i
			}
			if float64(codes[i]) <= level {
				most = i
			}
		}
		require.Equal(t, least, octets(codes).nextAtLeast(from, level), "%v at least %v from %d", codes, level, from)
		require.Equal(t, most, octets(codes).nextAtMost(from, level), "%v at most %v from %d", codes, level, from)
		wide := make(words, len(codes))
		long := make(floats, len(codes))
		for i, c := range codes {
			wide[i], long[i] = int16(c), float64(c)
		}
		require.Equal(t, least, wide.nextAtLeast(from, level))
		require.Equal(t, most, wide.nextAtMost(from, level))
		require.Equal(t, least, long.nextAtLeast(from, level))
		require.Equal(t, most, long.nextAtMost(from, level))
	}
}

func TestHistogramCountsEverySampleOnce(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{1, 7, 8, 9, 1000, 1003} {
		octet, word, float := make(octets, n), make(words, n), make(floats, n)
		var sum float64
		for i := range n {
			octet[i] = byte(random.IntN(256))
			word[i] = int16(octet[i]) * 100
			float[i] = float64(octet[i])
			sum += float64(octet[i])
		}
		for k, h := range []histogram{octet.histogram(), word.histogram(), float.histogram()} {
			total, all := 0, 0.0
			for b := range bins {
				total += h.count[b]
				all += h.sum[b]
			}
			require.Equal(t, n, total, k)
			require.InDelta(t, sum*[]float64{1, 100, 1}[k], all, 1e-6, k)
		}
	}
}
