package link

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Address says where an instrument is and how the line to it is set.
type Address struct {
	Host   string // host:port; empty for a serial port
	Device string // path of a serial port; empty for TCP
	EOL    string // terminator that the address asks for; empty if it does not say
	Line   Line   // settings of a serial line
}

// Line holds the settings of a serial line.
type Line struct {
	Baud   int    // bits a second
	Bits   int    // data bits, 5 to 8
	Parity string // "none", "even" or "odd"
	Stop   int    // stop bits, 1 or 2
	Flow   string // "none", "rts" or "xon"
	DTR    string // "on", "off", or empty: as the system leaves it
	RTS    string // "on", "off", or empty: as the system leaves it
	// Settle is how long the device needs after the port was opened, since
	// opening can reset a microcontroller board.
	Settle time.Duration
}

const (
	slowest       = 50
	fastest       = 12_000_000
	longestSettle = time.Minute
)

var terminators = []struct{ name, eol string }{{"lf", "\n"}, {"crlf", "\r\n"}, {"cr", "\r"}}

// ParseAddress reads tcp://host:port[?eol=lf|crlf|cr] and
// serial:///dev/...?baud=9600&bits=8&parity=none|even|odd&stop=1|2&flow=none|rts|xon&eol=...&dtr=on|off&rts=on|off&settle=2s.
// What a serial address leaves out is 9600 baud, 8 bits, no parity, 1 stop bit,
// no flow control.
func ParseAddress(address string) (Address, error) {
	a, err := parseAddress(address)
	if err != nil {
		return Address{}, fmt.Errorf("address %q: %w", address, err)
	}
	return a, nil
}

func parseAddress(address string) (Address, error) {
	u, err := url.Parse(address)
	if err != nil {
		return Address{}, errors.New("cannot be read; write tcp://host:port or serial:///dev/...?baud=9600")
	}
	if u.User != nil || u.Fragment != "" || u.Opaque != "" {
		return Address{}, errors.New("only host and port, or a device path, and settings after ? belong here")
	}
	settings, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return Address{}, fmt.Errorf("the settings after ? cannot be read: %w", err)
	}
	switch u.Scheme {
	case "tcp":
		return tcpAddress(u, settings)
	case "serial":
		return serialAddress(u, settings)
	}
	return Address{}, errors.New("has to begin with tcp:// or serial://")
}

func tcpAddress(u *url.URL, settings url.Values) (Address, error) {
	if u.Path != "" && u.Path != "/" {
		return Address{}, fmt.Errorf("%q after the port: a TCP address has no path", u.Path)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil || port < 1 || port > 65535 || !isHost(u.Hostname()) {
		return Address{}, errors.New("needs a host and a port from 1 to 65535, as in tcp://192.0.2.7:5025")
	}
	a := Address{Host: net.JoinHostPort(u.Hostname(), strconv.Itoa(port))}
	return a, a.set(settings, "eol")
}

// isHost tells whether a name can be a host: an IP address, or letters, digits,
// hyphens, dots and underscores.
func isHost(name string) bool {
	if ip, err := netip.ParseAddr(name); err == nil {
		return ip.Zone() == "" || isHost(ip.Zone())
	}
	odd := func(r rune) bool {
		return r > unicode.MaxASCII || !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("-._", r)
	}
	return name != "" && !strings.ContainsFunc(name, odd)
}

func serialAddress(u *url.URL, settings url.Values) (Address, error) {
	if u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasSuffix(u.Path, "/") || strings.ContainsRune(u.Path, 0) {
		return Address{}, errors.New("needs the full path of a device after three slashes, as in serial:///dev/ttyUSB0")
	}
	a := Address{Device: u.Path, Line: Line{Baud: 9600, Bits: 8, Parity: "none", Stop: 1, Flow: "none"}}
	return a, a.set(settings, "baud", "bits", "parity", "stop", "flow", "eol", "dtr", "rts", "settle")
}

// set takes the settings after the question mark; known are the keys that this
// kind of address has.
func (a *Address) set(settings url.Values, known ...string) error {
	var faults []error
	for key, values := range settings {
		switch {
		case !slices.Contains(known, key):
			faults = append(faults, fmt.Errorf("unknown setting %q; known are %s", key, strings.Join(known, ", ")))
		case len(values) > 1:
			faults = append(faults, fmt.Errorf("%s is given %d times", key, len(values)))
		default:
			if err := a.setOne(key, values[0]); err != nil {
				faults = append(faults, fmt.Errorf("%s=%s: %w", key, values[0], err))
			}
		}
	}
	slices.SortFunc(faults, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
	return errors.Join(faults...)
}

func (a *Address) setOne(key, value string) (err error) {
	switch l := &a.Line; key {
	case "baud":
		l.Baud, err = number(value, slowest, fastest)
	case "bits":
		l.Bits, err = number(value, 5, 8)
	case "stop":
		l.Stop, err = number(value, 1, 2)
	case "parity":
		l.Parity, err = oneOf(value, "none", "even", "odd")
	case "flow":
		l.Flow, err = oneOf(value, "none", "rts", "xon")
	case "dtr":
		l.DTR, err = oneOf(value, "on", "off")
	case "rts":
		l.RTS, err = oneOf(value, "on", "off")
	case "settle":
		l.Settle, err = time.ParseDuration(value)
		if err != nil || l.Settle < 0 || l.Settle > longestSettle {
			err = fmt.Errorf("has to be a time with its unit, up to %v, such as 2s", longestSettle)
		}
	case "eol":
		for _, t := range terminators {
			if t.name == value {
				a.EOL = t.eol
				return nil
			}
		}
		err = errors.New("has to be lf, crlf or cr")
	}
	return err
}

func number(text string, low, high int) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("has to be a whole number from %d to %d", low, high)
	}
	return n, nil
}

func oneOf(text string, allowed ...string) (string, error) {
	if !slices.Contains(allowed, text) {
		return "", fmt.Errorf("has to be %s", strings.Join(allowed, " or "))
	}
	return text, nil
}

// String is the address as ParseAddress reads it, with every setting written out.
func (a Address) String() string {
	settings := url.Values{}
	for _, t := range terminators {
		if a.EOL == t.eol {
			settings.Set("eol", t.name)
		}
	}
	u := url.URL{Scheme: "tcp", Host: a.Host}
	if a.Device != "" {
		u = url.URL{Scheme: "serial", Path: a.Device}
		l := a.Line
		settings.Set("baud", strconv.Itoa(l.Baud))
		settings.Set("bits", strconv.Itoa(l.Bits))
		settings.Set("parity", l.Parity)
		settings.Set("stop", strconv.Itoa(l.Stop))
		settings.Set("flow", l.Flow)
		for key, value := range map[string]string{"dtr": l.DTR, "rts": l.RTS} {
			if value != "" {
				settings.Set(key, value)
			}
		}
		if l.Settle > 0 {
			settings.Set("settle", l.Settle.String())
		}
	}
	text := u.String()
	if a.Device != "" && !strings.HasPrefix(text, "serial://") {
		text = "serial://" + strings.TrimPrefix(text, "serial:")
	}
	if len(settings) > 0 {
		text += "?" + settings.Encode()
	}
	return text
}

// wireTime is how long the line needs for a number of characters.
func (l Line) wireTime(characters int) time.Duration {
	if l.Baud <= 0 {
		return 0
	}
	bits := 1 + l.Bits + l.Stop
	if l.Parity != "none" {
		bits++
	}
	return time.Duration(characters) * time.Duration(bits) * time.Second / time.Duration(l.Baud)
}

// WireTime is how long the wire alone needs for a number of characters; 0 for
// TCP and for an address that cannot be read.
func WireTime(address string, characters int) time.Duration {
	a, err := ParseAddress(address)
	if err != nil {
		return 0
	}
	return a.Line.wireTime(characters)
}
