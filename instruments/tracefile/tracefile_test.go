package tracefile

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// rows are n rows of data; each cell is made from the row's number.
func rows(n int, cells ...func(i int) string) string {
	var b strings.Builder
	for i := range n {
		for k, cell := range cells {
			if k > 0 {
				b.WriteByte(',')
			}
			b.WriteString(cell(i))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func times(from, step float64) func(int) string {
	return func(i int) string { return strconv.FormatFloat(from+float64(i)*step, 'e', 9, 64) }
}

// square has 20 rows a period, between -1 and 5.
func square(i int) string {
	if i%20 < 10 {
		return "5.00"
	}
	return "-1.00"
}

func none(int) string { return "" }

func read(t *testing.T, text string, o Options) *File {
	t.Helper()
	f, err := Parse("stick/trace.csv", []byte(text), o)
	require.NoError(t, err)
	return f
}

func requireSquare(t *testing.T, c Channel, step float64, n int) {
	t.Helper()
	require.Equal(t, quantity.Volt, c.Unit)
	require.Equal(t, n, c.Trace.Len())
	require.InEpsilon(t, step, float64(c.Trace.Step), 1e-6)
	p := waveform.Analyse(c.Trace, waveform.Options{})
	require.Equal(t, waveform.Pulsing, p.Kind, p.Reason)
	require.InDelta(t, -1, p.Low.Value, 0.1)
	require.InDelta(t, 5, p.High.Value, 0.1)
	require.InEpsilon(t, 1/(20*step), p.Frequency.Value, 1e-3)
}

func TestTheShapesOfExports(t *testing.T) {
	tests := []struct {
		name, text string
		options    Options
		step       float64
		samples    int
		start      float64
		channel    string
		notes      []string
	}{
		{name: "names, then units", text: "x-axis,1,2\nsecond,Volt,Volt\n" + rows(200, times(-1e-6, 5e-9), square, square), step: 5e-9, samples: 200, start: -1e-6, channel: "1"},
		{name: "units behind the names", text: "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), square), step: 1e-7, samples: 200, channel: "CH1"},
		{name: "prefixes in the units", text: "Time (us),CH1 (mV)\n" + rows(200, times(0, 0.1), func(i int) string { return square(i) + "E3" }), step: 1e-7, samples: 200, channel: "CH1"},
		{name: "a trailing separator and CRLF", text: strings.ReplaceAll("X,CH1,\nSecond,Volt,\n"+rows(200, times(0, 2e-6), square, none), "\n", "\r\n"), step: 2e-6, samples: 200, channel: "CH1"},
		{name: "carriage returns alone", text: strings.ReplaceAll("X,CH1\nSecond,Volt\n"+rows(200, times(0, 2e-6), square), "\n", "\r"), step: 2e-6, samples: 200, channel: "CH1"},
		{name: "a running number that does not begin at zero beside the time", text: "Sample,Time(S),CH1(V)\n" + rows(200, func(i int) string { return strconv.Itoa(1000 + i) }, times(-1e-4, 1e-7), square),
			step: 1e-7, samples: 200, start: -1e-4, channel: "CH1"},
		{name: "start and increment in the head's second line", text: "X,CH1,Start,Increment\nSequence,Volt,-2.5e-05,1.0e-07\n" + rows(200, strconv.Itoa, square),
			step: 1e-7, samples: 200, start: -2.5e-5, channel: "CH1", notes: []string{`"Increment" in line 1`, `"Start" in line 1`}},
		{name: "a rate in the head and no column of times", text: "Sample rate,1e+07\nIndex,CH1(V)\n" + rows(200, strconv.Itoa, square), step: 1e-7, samples: 200, channel: "CH1",
			notes: []string{"Sample rate"}},
		{name: "a rate with its own unit", text: "Sampling Rate: 10 MSa/s\nCH1(V)\n" + rows(200, square), step: 1e-7, samples: 200, channel: "CH1"},
		{name: "an interval in the head", text: "Sample Interval,1.0E-07\nIndex,CH1(V)\n" + rows(200, strconv.Itoa, square), step: 1e-7, samples: 200, channel: "CH1"},
		{name: "settings in the same rows as the data", text: func() string {
			settings := []string{"Record Length,200,Points", "Sample Interval,1e-07,s", "Vertical Scale,2,V"}
			body := rows(200, func(i int) string {
				if i < len(settings) {
					return settings[i]
				}
				return ",,"
			}, times(0, 1e-7), square)
			return body
		}(), options: Options{Unit: "V", TimeUnit: "s"}, step: 1e-7, samples: 200, channel: "column 5"},
		{name: "semicolons and decimal commas", text: "Zeit;Kanal\ns;V\n" + strings.NewReplacer(",", ";", ".", ",").Replace(rows(200, times(0, 1e-7), square)), step: 1e-7, samples: 200, channel: "Kanal"},
		{name: "tabulators", text: "Time (s)\tCH1 (V)\n" + strings.ReplaceAll(rows(200, times(0, 1e-7), square), ",", "\t"), step: 1e-7, samples: 200, channel: "CH1"},
		{name: "quotation marks", text: "\"Time (s)\",\"CH1 (V)\"\n" + rows(200, func(i int) string { return `"` + times(0, 1e-7)(i) + `"` }, func(i int) string { return `"` + square(i) + `"` }),
			step: 1e-7, samples: 200, channel: "CH1"},
		{name: "an end-of-file byte", text: "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), square) + "\x1a", step: 1e-7, samples: 200, channel: "CH1"},
		{name: "a row of another record at the end", text: "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), square) + "-3.0e-3,5.00\n", step: 1e-7, samples: 200, channel: "CH1",
			notes: []string{"1 row at the ends"}},
		{name: "rows of another record at the start", text: "Time (s),CH1 (V)\n" + rows(204, times(0, 1e-7), func(i int) string {
			if i < 4 {
				return "9.92"
			}
			return square(i)
		}), step: 1e-7, samples: 200, start: 4e-7, channel: "CH1", notes: []string{"the first 4 rows", "--all-rows"}},
		{name: "fewer samples than announced", text: "Number of samples,8192\nTime (s),CH1 (V)\n" + rows(200, times(0, 1e-7), square), step: 1e-7, samples: 200, channel: "CH1",
			notes: []string{"announces 8192 samples, the file holds 200"}},
		{name: "a foot below the data", text: "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), square) + ",\nend of record\n", step: 1e-7, samples: 200, channel: "CH1",
			notes: []string{"from line 202 on there are no data"}},
		{name: "times with too few digits", text: "Sample Interval,1.0E-07\nTime (s),CH1 (V)\n" + rows(200, func(i int) string { return fmt.Sprintf("%.6f", 1+float64(i)*1e-7) }, square),
			step: 1e-7, samples: 200, start: 1, channel: "CH1", notes: []string{"too few digits"}},
		{name: "no head and no time", text: rows(200, square), options: Options{Interval: 1e-7, Unit: "V"}, step: 1e-7, samples: 200, channel: "column 1"},
		{name: "a probe that the scope did not know", text: "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), func(i int) string { return map[bool]string{true: "0.5", false: "-0.1"}[i%20 < 10] }),
			options: Options{Factor: 10}, step: 1e-7, samples: 200, channel: "CH1"},
		{name: "rows left out as asked", text: "Time (s),CH1 (V)\n" + rows(210, times(0, 1e-7), square), options: Options{Skip: 10}, step: 1e-7, samples: 200, start: 1e-6, channel: "CH1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := read(t, tt.text, tt.options)
			require.Equal(t, tt.channel, f.Channels[0].Trace.Name)
			requireSquare(t, f.Channels[0], tt.step, tt.samples)
			require.InDelta(t, tt.start, float64(f.Channels[0].Trace.Start), tt.step/100)
			for _, n := range tt.notes {
				require.Contains(t, strings.Join(f.Notes, "\n"), n)
			}
			if tt.notes == nil && tt.options.Skip == 0 && !strings.Contains(tt.text, "ample") && !strings.Contains(tt.text, "ncrement") && !strings.Contains(tt.text, "ampling") {
				require.Empty(t, f.Notes)
			}
		})
	}
}

func TestWideTextIsRead(t *testing.T) {
	text := "Time (s),CH1 (V)\r\n" + rows(100, times(0, 1e-7), square)
	for name, order := range map[string]func(u uint16) []byte{
		"little end first": func(u uint16) []byte { return []byte{byte(u), byte(u >> 8)} },
		"big end first":    func(u uint16) []byte { return []byte{byte(u >> 8), byte(u)} },
	} {
		t.Run(name, func(t *testing.T) {
			data := order(0xFEFF)
			for _, u := range utf16.Encode([]rune(text)) {
				data = append(data, order(u)...)
			}
			f, err := Parse("x.csv", data, Options{})
			require.NoError(t, err)
			requireSquare(t, f.Channels[0], 1e-7, 100)
		})
	}
	f := read(t, "\uFEFF"+text, Options{})
	require.Equal(t, "CH1", f.Channels[0].Trace.Name)
}

func TestAnEmptyCellIsAGapAndNeverZero(t *testing.T) {
	f := read(t, "Time (s),CH1 (V),CH2 (V)\n"+rows(300, times(0, 1e-7), func(i int) string {
		if i == 80 {
			return ""
		}
		return square(i)
	}, square), Options{})
	require.Contains(t, f.Notes[0], "CH1 has empty cells; kept is its longest stretch without one, lines 83 to 301")
	requireSquare(t, f.Channels[0], 1e-7, 219)
	require.InDelta(t, 81e-7, float64(f.Channels[0].Trace.Start), 1e-12)
	requireSquare(t, f.Channels[1], 1e-7, 300)
	for i := range f.Channels[0].Trace.Len() {
		require.NotZero(t, f.Channels[0].Trace.At(i))
	}
}

// Rows that could be another record's are kept where they are no further out than a ringing edge, and where somebody asks.
func TestRowsAtTheEndsAreLeftOutOnlyWhenFarOut(t *testing.T) {
	first := func(v string, n int) string {
		return "Time (s),CH1 (V)\n" + rows(200, times(0, 1e-7), func(i int) string {
			if i < n {
				return v
			}
			return square(i)
		})
	}
	require.Equal(t, 200, read(t, first("6.4", 3), Options{}).Channels[0].Trace.Len())
	require.Equal(t, 200, read(t, first("9.92", 3), Options{AllRows: true}).Channels[0].Trace.Len())
	require.Equal(t, 197, read(t, first("9.92", 3), Options{}).Channels[0].Trace.Len())
	require.Equal(t, 200, read(t, first("9.92", 20), Options{}).Channels[0].Trace.Len(), "twenty rows are a signal, not a remainder")
}

func TestWhatTheFileDoesNotSayIsAskedFor(t *testing.T) {
	tests := []struct {
		name, text, what, flag string
		options                Options
	}{
		{"no time at all", rows(200, square), "the time between two samples", "--interval", Options{Unit: "V"}},
		{"a running number is no time", "Index,CH1 (V)\n" + rows(200, strconv.Itoa, square), "the time between two samples", "--interval", Options{}},
		{"times without a unit", "X,CH1 (V)\n" + rows(200, times(0, 1e-7), square), "the unit of its times", "--time-unit", Options{}},
		{"values without a unit", "Time (s),CH1\n" + rows(200, times(0, 1e-7), func(i int) string { return square(i) + "e3" }), "the unit of CH1", "--unit", Options{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse("stick/trace.csv", []byte(tt.text), tt.options)
			var unsaid *Unsaid
			require.ErrorAs(t, err, &unsaid)
			require.Equal(t, tt.what, unsaid.What)
			require.Contains(t, unsaid.Flag, tt.flag)
			require.Contains(t, err.Error(), "stick/trace.csv does not say")
		})
	}
	f := read(t, "X,CH1\n"+rows(200, times(0, 1e-4), func(i int) string { return square(i) + "e3" }), Options{TimeUnit: "ms", Unit: "mV"})
	requireSquare(t, f.Channels[0], 1e-7, 200)
}

func TestWhatCannotBeReadSaysWhere(t *testing.T) {
	good := rows(200, times(0, 1e-7), square)
	tests := []struct{ name, text, want string }{
		{"nothing", "", "trace.csv: the file is empty"},
		{"bytes", "\x00\x01\x02rubbish\x00\x00", "no text"},
		{"prose", "Dear customer,\nthe drive is ready.\nYours\n", "hold no numbers"},
		{"a word among the numbers", "Time (s),CH1 (V)\n" + good + "5,oops\n" + good, `trace.csv:202: "5,oops" is no row of data`},
		{"times that go back", "Time (s),CH1 (V)\n" + rows(200, func(i int) string { return times(2e-5, -1e-7)(i) }, square), "does not rise"},
		{"times that jump", "Time (s),CH1 (V)\n" + rows(100, times(0, 1e-7), square) + rows(100, times(5e-5, 1e-7), square), "jumps there"},
		{"two rows", "Time (s),CH1 (V)\n0,1\n1e-7,2\n", "too few"},
		{"a time that is missing", "Time (s),CH1 (V)\n" + rows(200, func(i int) string {
			if i == 100 {
				return ""
			}
			return times(0, 1e-7)(i)
		}, square), "trace.csv:102: Time is empty there"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse("trace.csv", []byte(tt.text), Options{})
			require.ErrorContains(t, err, tt.want)
			var fault *Fault
			require.ErrorAs(t, err, &fault)
		})
	}
	_, err := Parse("trace.csv", []byte("Time (s),CH1 (V)\n"+good), Options{Columns: []string{"CH7"}})
	require.ErrorContains(t, err, "it has: Time, CH1")
}

// A level that toggles between two codes has no frequency: the analysis has to see that the two are neighbours.
func TestALevelBetweenTwoCodesIsConstant(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 2))
	f := read(t, "Time (s),CH1 (V)\n"+rows(2000, times(0, 1e-7), func(int) string {
		return map[bool]string{true: "0.20", false: "0.24"}[dice.Float64() < 0.3]
	}), Options{})
	require.InDelta(t, 0.04, float64(f.Channels[0].Trace.Resolution()), 1e-9)
	p := waveform.Analyse(f.Channels[0].Trace, waveform.Options{})
	require.Equal(t, waveform.Constant, p.Kind)
	require.False(t, p.Frequency.Known())
}

// An edge of fewer than three samples has an upper bound and no duration.
func TestAnEdgeBetweenTwoSamplesIsABound(t *testing.T) {
	f := read(t, "Time (s),CH1 (V)\n"+rows(400, times(0, 1e-7), square), Options{})
	p := waveform.Analyse(f.Channels[0].Trace, waveform.Options{})
	require.False(t, p.Rise.Known())
	require.Positive(t, p.Rise.AtMost)
	require.LessOrEqual(t, p.Rise.AtMost, 2e-7)
}

func TestARecordInTwoFiles(t *testing.T) {
	dir := t.TempDir()
	cfg := "Quayside,bench,1999\r\n2,2A,0D\r\n1,UA,A,,V,0.01,0.5,,-99999,99999,1,1,P\r\n2,IA,A,,mA,2,0,,-99999,99999,1,1,P\r\n50\r\n1\r\n10000,200\r\n" +
		"01/02/2026,10:00:00.000000\r\n01/02/2026,10:00:00.001000\r\nASCII\r\n1\r\n"
	var dat strings.Builder
	for i := range 200 {
		fmt.Fprintf(&dat, "%d,,%d,%d\r\n", i+1, int(1000*math.Sin(2*math.Pi*float64(i)/40)), i)
	}
	dat.WriteByte(0x1A)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "r.cfg"), []byte(cfg), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "r.dat"), []byte(dat.String()), 0o600))
	for _, name := range []string{"r.cfg", "r.dat"} {
		f, err := Read(filepath.Join(dir, name), Options{})
		require.NoError(t, err)
		require.Len(t, f.Channels, 2)
		u, i := f.Channels[0], f.Channels[1]
		require.Equal(t, "UA", u.Trace.Name)
		require.Equal(t, 200, u.Trace.Len(), "the end-of-file byte is no row")
		require.InEpsilon(t, 1e-4, float64(u.Trace.Step), 1e-9)
		require.InDelta(t, 10.5, u.Trace.At(10), 1e-9)
		require.Equal(t, quantity.Ampere, i.Unit)
		require.InDelta(t, 0.2, i.Trace.At(100), 1e-12)
	}
	for want, broken := range map[string]string{
		"r.cfg:2": strings.Replace(cfg, "2,2A,0D", "2,A,D", 1),
		"r.cfg:3": strings.Replace(cfg, "0.01,0.5", "x,0.5", 1),
		"r.cfg:4": strings.Replace(cfg, ",mA,", ",furlong,", 1),
		"binary":  strings.Replace(cfg, "ASCII", "BINARY", 1),
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "r.cfg"), []byte(broken), 0o600))
		_, err := Read(filepath.Join(dir, "r.dat"), Options{})
		require.ErrorContains(t, err, want)
	}
	require.NoError(t, os.Remove(filepath.Join(dir, "r.cfg")))
	_, err := Read(filepath.Join(dir, "r.dat"), Options{})
	require.ErrorContains(t, err, "pair of files")
}

func TestNumbersAreReadAsTheStandardLibraryReadsThem(t *testing.T) {
	for _, text := range []string{"0", "-0", "1", "+1.5", "-.5", "5.", "1e3", "1.25E-09", "+986.6000E-06", "123456789012345", "1234567890123456789", "0.1", "3.0000000000000001e-7",
		"1e-30", "1e300", "9.007199254740993e15", "0.00000000000000000000001", "4.9e-324", "2.225e-308", "17976931348623157e292"} {
		want, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		got, ok := number([]byte(text), '.')
		require.True(t, ok, text)
		require.Equal(t, want, got, text)
		got, ok = number([]byte(strings.Replace(text, ".", ",", 1)), ',')
		require.True(t, ok, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "-", ".", "1e", "e5", "1 2", "1,5", "NaN", "Inf", "0x10", "1_000", "1e999", "--1"} {
		_, ok := number([]byte(text), '.')
		require.False(t, ok, text)
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1.5", "-2e-9", "000123.4500", "99999999999999999999", "1e22", "1e23"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := number([]byte(s), '.')
		if !ok {
			return
		}
		want, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err, "%q", s)
		require.Equal(t, want, got, "%q", s)
	})
}

// Whatever the bytes: no panic, and what comes out are finite numbers of a steady time.
func FuzzParse(f *testing.F) {
	f.Add([]byte("Time (s),CH1 (V)\n"+rows(40, times(0, 1e-7), square)), "", "")
	f.Add([]byte("X,CH1,Start,Increment\nSequence,Volt,-2.5e-05,1.0e-07\n"+rows(20, strconv.Itoa, square)), "mV", "s")
	f.Add([]byte("a;b\n1,5;2\n2,5;3\n3,5;4\n"), "V", "s")
	f.Add([]byte("\xff\xfe1\x00,\x002\x00"), "V", "s")
	f.Fuzz(func(t *testing.T, data []byte, unit, timeUnit string) {
		file, err := Parse("f.csv", data, Options{Unit: unit, TimeUnit: timeUnit})
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		require.NotEmpty(t, file.Channels)
		for _, c := range file.Channels {
			require.Positive(t, float64(c.Trace.Step))
			require.Positive(t, c.Trace.Len())
			for i := range c.Trace.Len() {
				require.False(t, math.IsNaN(c.Trace.At(i)), "an empty cell became a sample")
			}
		}
	})
}

// BenchmarkRead reads a million rows of time and one channel; beside it the speed at which the same bytes are only searched
// for the ends of their lines, which is the least that any reader has to do.
func BenchmarkRead(b *testing.B) {
	text := []byte("Time (s),CH1 (V)\n" + rows(1_000_000, times(-1e-3, 2e-9), func(i int) string { return strconv.FormatFloat(math.Sin(float64(i)/1000), 'e', 5, 64) }))
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	var read float64
	for b.Loop() {
		f, err := Parse("million.csv", text, Options{})
		if err != nil || f.Channels[0].Trace.Len() != 1_000_000 {
			b.Fatal(err)
		}
		read++
	}
	perRead := b.Elapsed().Seconds() / read
	b.ReportMetric(float64(len(text))/perRead/1e6, "MB/s")
	b.ReportMetric(searchRate(text), "MB/s-lines-only")
}
