package scpi

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"unicode/utf8"
)

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"1.5", "9.91E37", "-9.9E37", "9.8999999E37", "1E400", "0x1p4", "Inf", "1_0", " +.5e-3\r"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, answer string) {
		x, err := ParseNumber(answer)
		if err != nil {
			return
		}
		if math.IsNaN(x) || math.Abs(x) >= 9.9e37 {
			t.Fatalf("ParseNumber(%q) let %g through as a reading", answer, x)
		}
		again, err := ParseNumber(FormatNumber(x))
		if err != nil || again != x {
			t.Fatalf("%g is written as %s, read as %g (%v)", x, FormatNumber(x), again, err)
		}
	})
}

func FuzzString(f *testing.F) {
	for _, s := range []string{"", `a"b`, "it's", "a\nb", `""`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ParseString(FormatString(text))
		if err != nil || got != text {
			t.Fatalf("%q came back as %q (%v)", text, got, err)
		}
		_, _ = ParseString(text)
	})
}

func FuzzSplitList(f *testing.F) {
	for _, s := range []string{"", "1,2", `-113,"a,b"`, "#15a,b, ,2", "(@1,2),3", "#9", "((", "))", `"`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, answer string) {
		list := SplitList(answer)
		if len(list) > 1+strings.Count(answer, ",") {
			t.Fatalf("%q has more elements than commas allow: %q", answer, list)
		}
		at := 0
		for _, e := range list {
			i := strings.Index(answer[at:], e)
			if i < 0 {
				t.Fatalf("%q of %q is not in the answer, or not in this order", e, answer)
			}
			at += i + len(e)
		}
	})
}

func FuzzParseError(f *testing.F) {
	for _, s := range []string{`-113,"Undefined header"`, `+0,"No error"`, "0", "1.5,2", `-410,Query INTERRUPTED`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, reply string) {
		e, err := ParseError(reply)
		if err != nil {
			return
		}
		again, err := ParseError(e.Entry())
		if err != nil || again != e {
			t.Fatalf("%q was read as %+v, written and read as %+v (%v)", reply, e, again, err)
		}
	})
}

func FuzzBlock(f *testing.F) {
	f.Add([]byte("HELLO"), []byte("\n"))
	f.Add([]byte{}, []byte("#15HELLO"))
	f.Add([]byte("\n#0\""), []byte{})
	f.Fuzz(func(t *testing.T, data, behind []byte) {
		encoded := EncodeBlock(data)
		got, rest, err := DecodeBlock(append(bytes.Clone(encoded), behind...))
		if err != nil || !bytes.Equal(got, data) || !bytes.Equal(rest, behind) {
			t.Fatalf("%q came back as %q, rest %q (%v)", data, got, rest, err)
		}
		for n := range encoded {
			if _, _, err := DecodeBlock(encoded[:n]); err == nil {
				t.Fatalf("%d of %d bytes were taken for the whole block", n, len(encoded))
			}
		}
		end, next, _, err := Framing{EOL: "\n"}.End(append(bytes.Clone(encoded), '\n', 'x'))
		if err != nil || end != len(encoded) || next != len(encoded)+1 {
			t.Fatalf("the block ends at %d of %d (%v)", end, len(encoded), err)
		}
		_, _, _ = DecodeBlock(behind)
	})
}

func FuzzFraming(f *testing.F) {
	for _, s := range []string{"1.5\n2\n", "1.5\r\n", "\"a\n\"\"b\"\n", "#3003a\nb\nx", "CURV #12\n\n\n", "Bench #2 x\n", "#0a\n", "#2x\n",
		"1,#15HELLO\r\n", "'a'#1\n", "A #1", "#H2F\r"} {
		for eol := range byte(3) {
			f.Add([]byte(s), eol)
		}
	}
	f.Fuzz(func(t *testing.T, stream []byte, which byte) {
		framing := Framing{EOL: [...]string{"\n", "\r\n", "\r"}[which%3]}
		end, next, need, err := framing.End(stream)
		switch {
		case err != nil && end >= 0, err == nil && end < 0 && need < 1:
			t.Fatalf("end %d, need %d, error %v", end, need, err)
		case end >= 0 && (end > next || next > len(stream) || !bytes.HasSuffix(stream[:next], []byte(framing.EOL))):
			t.Fatalf("end %d, next %d of %q", end, next, stream)
		}
		// Byte by byte it must come to the same, and what it says is missing
		// must not be more than what came.
		for n := range len(stream) + 1 {
			e, x, missing, problem := framing.End(stream[:n])
			if problem != nil {
				if err == nil {
					t.Fatalf("error after %d bytes only: %v", n, problem)
				}
				return
			}
			if e >= 0 {
				if e != end || x != next {
					t.Fatalf("after %d bytes %d, %d; at once %d, %d", n, e, x, end, next)
				}
				return
			}
			if end >= 0 && n+missing > next {
				t.Fatalf("after %d bytes %d more were asked for, the answer ends at %d", n, missing, next)
			}
		}
		if end >= 0 || err != nil {
			t.Fatalf("at once end %d, error %v; byte by byte neither", end, err)
		}
	})
}

// FuzzDevice sends anything to a device: it answers one line, keeps its queue
// in order, and obeys afterwards.
func FuzzDevice(f *testing.F) {
	for _, s := range []string{"*IDN?", "VOLT?;CURR?;*STB?", "OUTP2:STAT 1;STAT?", "NUMB:V? 1 E 3 MV", "LIST? (@1,3,4:6)", "BLOC? #15ab\nc;",
		"TEXT? 'it''s'", "STAT:OPER:ENAB #HFF;ENAB?", "SYST:ERR:ALL?", ":;:;*", "*OPC;*RST;*CLS;*WAI;*TST?", "NUMB:HZ? 5 MHZ", "\x00\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, stream []byte) {
		d := typed()
		s := d.NewSession()
		s.Execute(stream)
		for rest, ok := stream, true; ok; {
			var message []byte
			if message, rest, ok = SplitMessage(rest); ok {
				s.Execute(message)
			}
		}
		if d.Errors.Len() > queueDepth {
			t.Fatalf("the queue holds %d errors", d.Errors.Len())
		}
		for d.Errors.Len() > 0 {
			answer := string(s.Execute([]byte("SYST:ERR?")))
			e, err := ParseError(answer)
			if err != nil || e.Number == 0 || !utf8.ValidString(answer) || strings.ContainsAny(answer, "\r\n") || len(e.Text) > longestText {
				t.Fatalf("%q is in the error queue (%v)", answer, err)
			}
		}
		if got := string(s.Execute([]byte("*CLS;:SYST:ERR?;VERS?"))); got != `0,"No error";1999.0` {
			t.Fatalf("the device no longer obeys: %q", got)
		}
	})
}
