package station

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"benchwarden/instruments/link/pty"
	"benchwarden/instruments/scpi"
)

// The benchmarks measure the service against instruments in a process of their own, this test program started once more. Both
// processes read the same clock of the kernel, so an instant in one can be compared with an instant in the other.

const instrumentsVariable = "STATION_TEST_INSTRUMENTS"

func TestMain(m *testing.M) {
	if kind := os.Getenv(instrumentsVariable); kind != "" {
		serveInstruments(kind)
		return
	}
	os.Exit(m.Run())
}

// The quantity that crosses its limit, and the size of a trace.
const (
	normalVolts, crossedVolts     = 24.0, 200.0
	normalAmperes, crossedAmperes = 0.1, 5.0
	traceSize                     = 1_000_000
)

var crossedAnswer = []byte(scpi.FormatNumber(crossedVolts))

// ownTime is how long the simulated supply takes from the last byte of OFF to no current (practice: a supply's relay or its
// output stage, 1 to 20 ms).
const ownTime = 5 * time.Millisecond

// fakeBench is a bus supply and a bus meter whose reading jumps past every limit on request, and falls back when the supply is
// told to switch off.
type fakeBench struct {
	number int
	tell   func(passage)
	own    time.Duration

	mu       sync.Mutex
	crossed  bool
	on       bool
	passage  passage
	awaiting int // what is not known yet of the passage: when the answer left, when the current was gone
}

// passage is one crossing with what followed, in nanoseconds of the system's clock.
type passage struct {
	Bench    int
	Crossed  int64 // the quantity itself
	Answered int64 // the first answer that showed it left (the kernel's stamp; on a line, just before it was written)
	Arrived  int64 // OFF was in the instrument's socket (the kernel's stamp), 0 where the kernel gives none
	Read     int64 // the instrument read OFF
	Gone     int64 // no current any more
	Heard    int64 // the service had read the answer, 0 where that was not told

	Characters int // of that question and its answer
}

func (b *fakeBench) cross() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.crossed, b.on, b.awaiting = true, true, 2
	b.passage = passage{Bench: b.number, Crossed: time.Now().UnixNano()}
}

// shows says whether an answer is the first that shows the crossing; it may have been made up just before.
func (b *fakeBench) shows(message, answer []byte) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.crossed || b.passage.Characters != 0 || !bytes.HasPrefix(message, []byte("MEAS")) || !bytes.Contains(answer, crossedAnswer) {
		return false
	}
	b.passage.Characters = len(message) + len("\n") + len(answer) + len("\n")
	return true
}

func (b *fakeBench) answered(at int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.passage.Answered = at
	b.known()
}

// known tells the passage when all of it is known; it needs the lock.
func (b *fakeBench) known() {
	if b.awaiting--; b.awaiting == 0 {
		b.tell(b.passage)
	}
}

func (b *fakeBench) off(arrived, read int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.on || b.passage.Read != 0 {
		return
	}
	b.passage.Arrived, b.passage.Read = arrived, read
	if b.own == 0 {
		b.gone()
		return
	}
	time.AfterFunc(b.own, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.gone()
	})
}

func (b *fakeBench) gone() {
	b.crossed, b.on = false, false
	b.passage.Gone = time.Now().UnixNano()
	b.known()
}

func (b *fakeBench) volts() float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.crossed {
		return crossedVolts
	}
	return normalVolts
}

func (b *fakeBench) amperes() float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.crossed:
		return crossedAmperes
	case b.on:
		return normalAmperes
	}
	return 0
}

func (b *fakeBench) isOn() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.on
}

func (b *fakeBench) device(kind string) *scpi.Device {
	d := scpi.NewDevice([4]string{"Quayside Simulated", kind + " SIMULATED", "1", "1.0"})
	number := func(read func() float64) scpi.Command {
		return scpi.Command{Ask: func(*scpi.Call) (string, error) { return scpi.FormatNumber(read()), nil }}
	}
	d.Handle("MEASure:VOLTage[:DC]", number(b.volts))
	d.Handle("MEASure:CURRent[:DC]", number(b.amperes))
	d.Handle("OUTPut[:STATe]", scpi.Command{Takes: 1, Do: func(*scpi.Call) error { return nil }, // the byte stream is looked at for OFF
		Ask: func(*scpi.Call) (string, error) { return scpi.FormatBool(b.isOn()), nil }})
	return d
}

// wireEnd is the instrument's end of a wire.
type wireEnd interface {
	io.ReadWriteCloser
	// readStamped is Read, of one message at most, with the instant at which the kernel had its bytes, 0 if it does not tell.
	readStamped([]byte) (n int, at int64, err error)
	// writeStamped is Write with the instant at which the bytes left.
	writeStamped([]byte) (at int64, err error)
}

// serve is one connection to an instrument.
func (b *fakeBench) serve(d *scpi.Device, w wireEnd) {
	defer w.Close()
	session := d.NewSession()
	defer session.Close()
	var buf []byte
	chunk := make([]byte, 4096)
	for {
		n, at, err := w.readStamped(chunk)
		if err != nil {
			return
		}
		buf = append(buf, chunk[:n]...)
		if bytes.Contains(buf, []byte("OUTP OFF")) {
			b.off(at, time.Now().UnixNano())
		}
		for {
			message, rest, ok := scpi.SplitMessage(buf)
			if !ok {
				break
			}
			answer := session.Execute(bytes.TrimSuffix(message, []byte("\r")))
			if answer != nil {
				if err := b.answer(w, message, append(answer, '\n')); err != nil {
					return
				}
			}
			buf = rest
		}
		buf = bytes.Clone(buf)
	}
}

func (b *fakeBench) answer(w wireEnd, message, answer []byte) error {
	if !b.shows(message, answer) {
		_, err := w.Write(answer)
		return err
	}
	at, err := w.writeStamped(answer)
	b.answered(at)
	return err
}

// stampedSocket is a TCP connection whose kernel says when bytes arrived.
type stampedSocket struct {
	*net.TCPConn
	raw syscall.RawConn
	oob []byte
}

func stamped(c *net.TCPConn) (*stampedSocket, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return nil, err
	}
	var failed error
	const report = unix.SOF_TIMESTAMPING_SOFTWARE | unix.SOF_TIMESTAMPING_RX_SOFTWARE
	err = raw.Control(func(fd uintptr) { failed = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_TIMESTAMPING, report) })
	return &stampedSocket{c, raw, make([]byte, 128)}, cmp.Or(err, failed)
}

// readStamped takes no more than the first message that is there: the stamp that the kernel gives with a read is that of the last of
// its bytes, so that OFF read together with the question after it would seem to have come with that.
func (s *stampedSocket) readStamped(buf []byte) (n int, at int64, err error) {
	var oob int
	failed := s.raw.Read(func(fd uintptr) bool {
		if n, _, _, _, err = unix.Recvmsg(int(fd), buf, nil, unix.MSG_PEEK); err != nil {
			return err != unix.EAGAIN
		}
		if end := bytes.IndexByte(buf[:n], '\n'); end >= 0 {
			n = end + 1
		}
		n, oob, _, _, err = unix.Recvmsg(int(fd), buf[:n], s.oob, 0)
		return true
	})
	if err = cmp.Or(err, failed); err != nil {
		return 0, 0, err
	}
	if n == 0 {
		return 0, 0, io.EOF
	}
	at, err = stampIn(s.oob[:oob])
	return n, at, err
}

// stampIn is the kernel's software stamp in a socket's control messages, 0 if there is none (socket(7), SCM_TIMESTAMPING).
func stampIn(oob []byte) (at int64, err error) {
	messages, err := unix.ParseSocketControlMessage(oob)
	for _, m := range messages {
		if m.Header.Type == unix.SCM_TIMESTAMPING && len(m.Data) >= int(unsafe.Sizeof(unix.Timespec{})) {
			at = (*unix.Timespec)(unsafe.Pointer(&m.Data[0])).Nano()
		}
	}
	return at, err
}

// writeStamped asks for the stamp of these bytes alone, and takes it from the socket's error queue.
func (s *stampedSocket) writeStamped(b []byte) (at int64, err error) {
	ask := make([]byte, unix.CmsgSpace(4))
	h := (*unix.Cmsghdr)(unsafe.Pointer(&ask[0]))
	h.Level, h.Type = unix.SOL_SOCKET, unix.SO_TIMESTAMPING
	h.SetLen(unix.CmsgLen(4))
	*(*uint32)(unsafe.Pointer(&ask[unix.CmsgLen(0)])) = unix.SOF_TIMESTAMPING_TX_SOFTWARE
	failed := s.raw.Write(func(fd uintptr) bool {
		_, err = unix.SendmsgN(int(fd), b, ask, nil, 0)
		return err != unix.EAGAIN
	})
	if err = cmp.Or(err, failed); err != nil {
		return 0, err
	}
	oob := make([]byte, 256)
	for range 1000 {
		var n int
		failed := s.raw.Control(func(fd uintptr) { _, n, _, _, err = unix.Recvmsg(int(fd), nil, oob, unix.MSG_ERRQUEUE) })
		if err = cmp.Or(err, failed); err == nil {
			return stampIn(oob[:n])
		}
		if err != unix.EAGAIN {
			return 0, err
		}
		sleepFor(10 * time.Microsecond)
	}
	return 0, errors.New("the kernel gave no stamp of what was sent")
}

// slowLine is a pseudo-terminal whose characters take as long as at 9600 baud.
type slowLine struct{ *pty.Terminal }

const characterTime = 10 * time.Second / 9600

func (l slowLine) readStamped(buf []byte) (n int, at int64, err error) {
	n, err = l.Read(buf[:1]) // one by one, as they come off a line
	sleepFor(characterTime)
	return n, 0, err
}

func (l slowLine) writeStamped(data []byte) (at int64, err error) {
	at = time.Now().UnixNano()
	_, err = l.Write(data)
	return at, err
}

func (l slowLine) Write(data []byte) (int, error) {
	for i := range data {
		sleepFor(characterTime)
		if _, err := l.Terminal.Write(data[i : i+1]); err != nil {
			return i, err
		}
	}
	return len(data), nil
}

// sleepFor sleeps more exactly than the runtime's timers do.
func sleepFor(d time.Duration) {
	left := unix.NsecToTimespec(int64(d))
	for unix.Nanosleep(&left, &left) == unix.EINTR {
	}
}

// places are where the instruments of one bench are reached.
type places struct{ Bus, Meter string }

// serveInstruments opens instruments, prints where they are, and then takes the number of a bench a line: its reading crosses.
// The kind says how many benches, over which wire, with how much time of their own.
func serveInstruments(kind string) {
	runSoon()
	var benches int
	var wire string
	var own time.Duration
	fmt.Sscan(kind, &benches, &wire, (*int64)(&own))
	var out sync.Mutex
	say := func(v any) {
		out.Lock()
		defer out.Unlock()
		must(json.NewEncoder(os.Stdout).Encode(v))
	}
	var all []*fakeBench
	var where []places
	for i := range benches {
		b := &fakeBench{number: i, own: own, tell: func(p passage) { say(p) }}
		all = append(all, b)
		p := places{Meter: b.listen(b.device("meter"))}
		if wire == "serial" {
			p.Bus = b.plug(b.device("supply"))
		} else {
			p.Bus = b.listen(b.device("supply"))
		}
		where = append(where, p)
	}
	say(struct {
		Benches []places
		Traces  string
		Bare    string
	}{where, serveTraces(), serveBare(benches, func(p passage) { say(p) })})
	lines := bufio.NewScanner(os.Stdin)
	for lines.Scan() {
		var number int
		fmt.Sscan(lines.Text(), &number)
		all[number].cross()
	}
}

func must(err error) {
	if err != nil {
		panic(err)
	}
}

func (b *fakeBench) listen(d *scpi.Device) string {
	return listenOn(func(c *net.TCPConn) {
		s, err := stamped(c)
		must(err)
		b.serve(d, s)
	})
}

func listenOn(serve func(*net.TCPConn)) string {
	l, err := net.ListenTCP("tcp", &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(err)
	go func() {
		for {
			c, err := l.AcceptTCP()
			must(err)
			go serve(c)
		}
	}()
	return "tcp://" + l.Addr().String()
}

func (b *fakeBench) plug(d *scpi.Device) string {
	line, path, err := pty.Open()
	must(err)
	go b.serve(d, slowLine{line})
	return "serial://" + path + "?baud=9600&eol=lf"
}

// serveTraces answers any message with a trace of a million points: a definite block with pulses of 20 kHz at 50 MS/s.
func serveTraces() string {
	codes := bytes.Repeat(append(bytes.Repeat([]byte{40}, 1250), bytes.Repeat([]byte{210}, 1250)...), traceSize/2500)
	block := fmt.Appendf(nil, "#7%07d%s\n", len(codes), codes)
	return listenOn(func(c *net.TCPConn) {
		standBack() // a scope has a processor of its own
		buf := make([]byte, 4096)
		for {
			if _, err := c.Read(buf); err != nil {
				return
			}
			if _, err := c.Write(block); err != nil {
				return
			}
		}
	})
}

// serveBare answers whatever is no OFF, and tells when OFF came after that.
func serveBare(number int, tell func(passage)) string {
	return listenOn(func(c *net.TCPConn) {
		s, err := stamped(c)
		must(err)
		buf := make([]byte, 64)
		var p passage
		for {
			n, at, err := s.readStamped(buf)
			if err != nil {
				return
			}
			if bytes.HasPrefix(buf[:n], []byte("OUTP OFF")) {
				p.Arrived, p.Read = at, time.Now().UnixNano()
				tell(p)
				continue
			}
			p = passage{Bench: number}
			if p.Answered, err = s.writeStamped([]byte("1\n")); err != nil {
				return
			}
		}
	})
}

// instrumentProcess is the other process as the benchmark sees it.
type instrumentProcess struct {
	Benches []places
	Traces  string
	Bare    string
	process *exec.Cmd
	in      io.Writer
	mu      sync.Mutex
	results []chan passage
}

func startInstruments(b *testing.B, benches int, wire string, own time.Duration) *instrumentProcess {
	b.Helper()
	p := exec.Command(os.Args[0])
	p.Env = append(os.Environ(), fmt.Sprintf("%s=%d %s %d", instrumentsVariable, benches, wire, own))
	p.Stderr = os.Stderr
	in, err := p.StdinPipe()
	require.NoError(b, err)
	out, err := p.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, p.Start())
	i := &instrumentProcess{process: p, in: in}
	lines := json.NewDecoder(out)
	require.NoError(b, lines.Decode(i))
	for range benches + 1 { // and the bare wire
		i.results = append(i.results, make(chan passage, 1))
	}
	read := make(chan struct{})
	go func() {
		defer close(read)
		for {
			var p passage
			if lines.Decode(&p) != nil {
				return
			}
			i.results[p.Bench] <- p
		}
	}()
	b.Cleanup(func() {
		in.Close()
		<-read
		require.NoError(b, p.Wait())
	})
	return i
}

// cross has a bench's reading jump past its limit.
func (i *instrumentProcess) cross(bench int) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	_, err := io.WriteString(i.in, fmt.Sprintln(bench))
	return err
}
