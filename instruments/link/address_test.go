package link

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestParseAddress(t *testing.T) {
	plain := Line{Baud: 9600, Bits: 8, Parity: "none", Stop: 1, Flow: "none"}
	tests := []struct {
		name, text string
		want       Address
		wantErr    string
	}{
		{name: "TCP", text: "tcp://192.0.2.7:5025", want: Address{Host: "192.0.2.7:5025"}},
		{name: "TCP by name, with terminator", text: "tcp://supply.bench:5025?eol=crlf", want: Address{Host: "supply.bench:5025", EOL: "\r\n"}},
		{name: "TCP over IPv6", text: "tcp://[2001:db8::7]:5025", want: Address{Host: "[2001:db8::7]:5025"}},
		{name: "serial with what is usual", text: "serial:///dev/ttyUSB0", want: Address{Device: "/dev/ttyUSB0", Line: plain}},
		{name: "serial by a path that survives replugging", text: "serial:///dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0?baud=19200",
			want: Address{Device: "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0", Line: Line{Baud: 19200, Bits: 8, Parity: "none", Stop: 1, Flow: "none"}}},
		{name: "serial with everything", text: "serial:///dev/ttyS1?baud=4800&bits=7&parity=even&stop=2&flow=xon&eol=cr&dtr=off&rts=on&settle=2s",
			want: Address{Device: "/dev/ttyS1", EOL: "\r", Line: Line{Baud: 4800, Bits: 7, Parity: "even", Stop: 2, Flow: "xon", DTR: "off", RTS: "on", Settle: 2 * time.Second}}},

		{name: "no port", text: "tcp://192.0.2.7", wantErr: "needs a host and a port"},
		{name: "no host", text: "tcp://:5025", wantErr: "needs a host and a port"},
		{name: "a host of colons", text: "tcp://::1", wantErr: "needs a host and a port"},
		{name: "port 0", text: "tcp://192.0.2.7:0", wantErr: "from 1 to 65535"},
		{name: "TCP has no baud rate", text: "tcp://192.0.2.7:5025?baud=9600", wantErr: `unknown setting "baud"; known are eol`},
		{name: "TCP has no path", text: "tcp://192.0.2.7:5025/inst0", wantErr: "no path"},
		{name: "two slashes make the device a host", text: "serial://dev/ttyUSB0", wantErr: "three slashes"},
		{name: "a directory", text: "serial:///dev/", wantErr: "full path of a device"},
		{name: "a bare time", text: "serial:///dev/ttyS0?settle=2", wantErr: "a time with its unit"},
		{name: "baud rate zero", text: "serial:///dev/ttyS0?baud=0", wantErr: "baud=0: has to be a whole number from 50"},
		{name: "a setting twice", text: "serial:///dev/ttyS0?baud=9600&baud=19200", wantErr: "baud is given 2 times"},
		{name: "a wrong value", text: "serial:///dev/ttyS0?parity=strange", wantErr: "has to be none or even or odd"},
		{name: "every fault at once", text: "serial:///dev/ttyS0?bits=9&stop=3", wantErr: "bits=9: has to be a whole number from 5 to 8\nstop=3"},
		{name: "nothing", text: "", wantErr: "has to begin with tcp:// or serial://"},
		{name: "a password", text: "tcp://me:pw@192.0.2.7:5025", wantErr: "only host and port"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseAddress(tt.text)
			if tt.wantErr != "" {
				require.ErrorContains(t, err, tt.wantErr)
				require.Zero(t, got)
				return
			}
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
}

// What ParseAddress takes is written by String in a form that it takes for the
// same.
func FuzzParseAddress(f *testing.F) {
	for _, text := range []string{
		"tcp://192.0.2.7:5025?eol=cr", "tcp://[::1%25eth0]:1", "serial:///dev/tty%20USB0?baud=9600&settle=1.5s",
		"serial:////dev?eol=lf", "serial:///a//b%3f?dtr=on&rts=off&flow=rts&parity=odd&bits=5&stop=2", "serial:///dev/x#y", "tcp:1",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := ParseAddress(text)
		if err != nil {
			require.Zero(t, a)
			return
		}
		require.NotEqual(t, a.Host == "", a.Device == "", "either a host or a device")
		again, err := ParseAddress(a.String())
		require.NoError(t, err, "%q", a.String())
		require.Equal(t, a, again)
		require.GreaterOrEqual(t, WireTime(text, 10), time.Duration(0))
	})
}

func TestWireTime(t *testing.T) {
	tests := []struct {
		name, address string
		characters    int
		want          time.Duration
	}{
		// Two readings of 25 characters at 9600 baud: 500 bits in 52 ms.
		{"start, eight data and one stop bit", "serial:///dev/ttyS0", 50, 52083333 * time.Nanosecond},
		{"a parity and a second stop bit count", "serial:///dev/ttyS0?baud=1200&bits=7&parity=odd&stop=2", 12, 110 * time.Millisecond},
		{"TCP has no wire to speak of", "tcp://192.0.2.7:5025", 1000, 0},
		{"an unreadable address", "?", 1000, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { require.Equal(t, tt.want, WireTime(tt.address, tt.characters)) })
	}
}
