package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
	"unicode"
)

// Finding is one set of line settings that got something readable back.
type Finding struct {
	Address string // with baud rate and eol, ready for a bench file
	Baud    int
	EOL     string // the terminator that was sent
	Reply   string // what came back, without its terminator
	Ends    string // the terminator that came back; empty if none did
}

var usualRates = []int{9600, 19200, 38400, 57600, 115200, 4800, 2400}

// Probe tries the usual baud rates and terminators on a serial device with
// *IDN? and tells which got readable text back. It stops after the first baud
// rate that did. Nothing found is no error.
func Probe(ctx context.Context, device string) ([]Finding, error) {
	var found []Finding
	for _, baud := range usualRates {
		for _, t := range terminators {
			line := Line{Baud: baud, Bits: 8, Parity: "none", Stop: 1, Flow: "none"}
			f, err := probe(ctx, Address{Device: device, EOL: t.eol, Line: line})
			if err != nil {
				return found, fmt.Errorf("probe %s at %d baud: %w", device, baud, err)
			}
			if f != nil {
				found = append(found, *f)
			}
		}
		if len(found) > 0 {
			break
		}
	}
	return found, nil
}

const (
	probeWithin = 600 * time.Millisecond
	probeQuiet  = 80 * time.Millisecond
)

func probe(ctx context.Context, a Address) (*Finding, error) {
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	port, err := openSerial(ctx, a.Device, a.Line, "")
	if err != nil {
		return nil, err
	}
	defer port.Close()
	defer context.AfterFunc(ctx, func() { port.SetReadDeadline(past) })()

	// The bare terminator ends what an earlier try left in the instrument.
	if err := port.SetWriteDeadline(time.Now().Add(probeWithin)); err != nil {
		return nil, err
	}
	if _, err := port.Write([]byte(a.EOL + "*IDN?" + a.EOL)); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
		return nil, err
	}
	got, err := listen(port)
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if err != nil {
		return nil, err
	}
	text := bytes.Trim(got, "\r\n")
	if len(text) == 0 || !readable(text) {
		return nil, nil
	}
	lines := strings.FieldsFunc(string(text), func(r rune) bool { return r == '\r' || r == '\n' })
	f := &Finding{Address: a.String(), Baud: a.Line.Baud, EOL: a.EOL, Reply: lines[len(lines)-1]}
	f.Ends = string(got[len(bytes.TrimRight(got, "\r\n")):])
	return f, nil
}

// listen reads until the device has been silent for a while.
func listen(port Port) ([]byte, error) {
	var got []byte
	buf := make([]byte, 1024)
	until := time.Now().Add(probeWithin)
	for len(got) < 1<<16 {
		if err := port.SetReadDeadline(until); err != nil {
			return got, err
		}
		n, err := port.Read(buf)
		got = append(got, buf[:n]...)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return got, nil
		}
		if err != nil {
			return got, err
		}
		until = time.Now().Add(probeQuiet)
	}
	return got, nil
}

func readable(text []byte) bool {
	for _, r := range string(text) {
		if r > unicode.MaxASCII || !unicode.IsPrint(r) && !unicode.IsSpace(r) {
			return false
		}
	}
	return true
}
