package report_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/report"
	"benchwarden/instruments/waveform"
)

// gate is a kept pulse of a gate: up from -8 V with so slow an edge, on for 3 µs.
func gate(t *testing.T, name, beside string, on, tau float64) event.Event {
	t.Helper()
	volts := make([]float64, 700)
	for i := range volts {
		at := float64(i)*1e-8 - 1e-6
		volts[i] = -8
		if at > 0 {
			volts[i] = on - (on+8)*math.Exp(-min(at, 3e-6)/tau)
		}
		if at > 3e-6 {
			volts[i] = -8 + (volts[i]+8)*math.Exp(-(at-3e-6)/tau)
		}
	}
	trace := waveform.FromFloat64(volts)
	trace.Name, trace.Start, trace.Step = name, -1e-6, 1e-8
	data, err := trace.MarshalJSON()
	require.NoError(t, err)
	if beside == "" {
		name += ", rise time"
	}
	return event.Event{At: began.Add(time.Minute), Body: event.Trace{Name: name, Beside: beside, Data: data}}
}

func TestASuspectGateIsDrawnOverTheBandOfTheOthers(t *testing.T) {
	traces := []event.Event{gate(t, "C.high", "", 15, 400e-9), gate(t, "A.high", "C.high, rise time", 15, 80e-9), gate(t, "B.high", "C.high, rise time", 14.7, 90e-9)}
	d := report.OfUnit("W-1", "wren", "held", []report.Run{report.Take(slices.Concat(events(true), traces))})
	page := plain(html(t, d))
	require.Equal(t, 1, strings.Count(page, "over the band of its siblings"), "one picture of three traces")
	require.Contains(t, page, "A.high, B.high</text>", "who the band is")
	require.Contains(t, page, "C.high</text>")
	// Single poles after 3 µs: 15 V as 23 V·(e^(-t/400 ns) - e^(-t/90 ns)) stand apart by 12.3 V at most, 173 ns later (analytic).
	require.Regexp(t, `C.high lies outside the band of the others \(A.high, B.high\) for 2\.\d+ µs of 6.99 µs, farthest 1[12]\.\d+ V (above it at 3.1|below it at 1)`, page)
	require.Contains(t, strings.Join(strings.Fields(strings.Join(pages(t, pdf(t, d, report.A4)), " ")), " "), "farthest 1", "in the PDF too")

	alike := report.OfUnit("W-1", "wren", "held", []report.Run{report.Take(slices.Concat(events(true), []event.Event{gate(t, "C.high", "", 14.8, 85e-9)}, traces[1:]))})
	require.Contains(t, plain(html(t, alike)), "C.high stays within the band of the others")
}
