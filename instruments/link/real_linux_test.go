package link

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"benchwarden/instruments/link/pty"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// soon is how long something that happens at once may take on a busy machine.
const soon = 2 * time.Second

// listenTCP serves each connection on a real socket.
func listenTCP(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				serve(c)
			}()
		}
	}()
	return "tcp://" + listener.Addr().String()
}

// instrument answers like echo, keeps silent on what it does not know, and
// hands each line to seen.
func instrument(rw io.ReadWriter, eol string, seen chan<- string) {
	lines := bufio.NewScanner(rw)
	lines.Split(func(data []byte, atEOF bool) (int, []byte, error) {
		if line, _, ok := strings.Cut(string(data), eol); ok {
			return len(line) + len(eol), []byte(line), nil
		}
		return 0, nil, nil
	})
	for lines.Scan() {
		line := lines.Text()
		if seen != nil {
			seen <- line
		}
		if reply, ok := answerTo(line); ok {
			fmt.Fprint(rw, reply, eol)
		}
		if line == "*IDN?" {
			fmt.Fprint(rw, "Quayside Simulated,test SIMULATED,0,0", eol)
		}
	}
}

// openPty makes a pseudo-terminal with an instrument behind it.
func openPty(t *testing.T, eol string, seen chan<- string) (*pty.Terminal, string) {
	t.Helper()
	terminal, path, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { terminal.Close() })
	go instrument(terminal, eol, seen)
	return terminal, path
}

func connect(t *testing.T, address string, o Options) *Link {
	t.Helper()
	o.Name, o.LockDir = "bus", t.TempDir()
	l, err := Dial(bg, address, o)
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	return l
}

// reals are the kinds of real connection.
var reals = []struct {
	name string
	open func(t *testing.T, seen chan<- string) (address string)
}{
	{"TCP", func(t *testing.T, seen chan<- string) string {
		return listenTCP(t, func(c net.Conn) { instrument(c, "\n", seen) })
	}},
	{"pseudo-terminal", func(t *testing.T, seen chan<- string) string {
		_, path := openPty(t, "\n", seen)
		return "serial://" + path
	}},
}

func TestRealConnectionsAnswerInOrder(t *testing.T) {
	for _, real := range reals {
		t.Run(real.name, func(t *testing.T) {
			l := connect(t, real.open(t, nil), Options{Resync: Resync{Token: tokens()}})
			for i := range 200 {
				answer, err := l.Query(bg, Script, fmt.Sprint("Q", i))
				require.NoError(t, err)
				require.Equal(t, fmt.Sprint("A", i), string(answer))
			}
			large := strings.Repeat("x", 3000)
			answer, err := l.Query(bg, Script, "Q"+large)
			require.NoError(t, err)
			require.Equal(t, "A"+large, string(answer))
		})
	}
}

func TestUrgentDuringAHungQueryOnRealConnections(t *testing.T) {
	for _, real := range reals {
		t.Run(real.name, func(t *testing.T) {
			seen := make(chan string, 100)
			l := connect(t, real.open(t, seen), Options{ReplyWithin: time.Minute, Resync: Resync{Token: tokens()}})
			hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "HANG?") })
			require.Equal(t, "HANG?", next(t, seen, "HANG?"))
			start := time.Now()
			require.NoError(t, l.Urgent("OUTP OFF"))
			require.Equal(t, "OUTP OFF", next(t, seen, "OUTP OFF"))
			require.ErrorIs(t, (<-hung).err, ErrCut)
			require.Less(t, time.Since(start), soon)
			answer, err := l.Query(bg, MakeSafe, "Q1")
			require.NoError(t, err)
			require.Equal(t, "A1", string(answer))
		})
	}
}

// Many callers, some of whom give up, and urgent writes among them: every answer
// is the right one, and every urgent message arrives whole.
func TestUrgentAmongManyCallers(t *testing.T) {
	const urgents = 200
	for _, real := range reals {
		t.Run(real.name, func(t *testing.T) {
			seen := make(chan string, 100)
			arrived := make(chan int)
			address := real.open(t, seen)
			go func() {
				n := 0
				for line := range seen {
					if line == "OUTP OFF" {
						n++
					}
					if line == "END" {
						arrived <- n
					}
				}
			}()
			l := connect(t, address, Options{Resync: Resync{Token: tokens()}})
			ctx, stop := context.WithCancel(bg)
			var callers sync.WaitGroup
			var right atomic.Int64
			for caller := range 4 {
				callers.Go(func() {
					for i := 0; ctx.Err() == nil; i++ {
						question := fmt.Sprintf("Q%d.%d", caller, i)
						short, cancel := context.WithTimeout(ctx, time.Duration(i%7+1)*100*time.Microsecond)
						asking := ctx
						if i%3 == 0 {
							asking = short
						}
						answer, err := l.Query(asking, Priority(caller%int(levels)), question)
						cancel()
						if err != nil {
							continue
						}
						right.Add(1)
						if want := strings.Replace(question, "Q", "A", 1); string(answer) != want {
							t.Errorf("asked %s, got %q", question, answer)
							return
						}
					}
				})
			}
			give := time.Now().Add(30 * time.Second)
			for i := range urgents {
				before := right.Load()
				if err := l.Urgent("OUTP OFF"); err != nil {
					t.Error(err)
				}
				for i%4 == 0 && right.Load() == before && time.Now().Before(give) {
					runtime.Gosched() // until the callers have got something in between
				}
			}
			stop()
			callers.Wait()
			require.NoError(t, l.Urgent("END"))
			require.Equal(t, urgents, <-arrived)
			require.Positive(t, right.Load())
		})
	}
}

// next waits until the instrument has seen a line, passing over others.
func next(t *testing.T, seen <-chan string, want string) string {
	t.Helper()
	timeout := time.After(10 * time.Second)
	for {
		select {
		case line := <-seen:
			if line == want {
				return line
			}
		case <-timeout:
			require.FailNow(t, "the instrument never saw it", want)
		}
	}
}

func TestTCPHasNoDelayAndDiesWithASilentPeer(t *testing.T) {
	l := connect(t, listenTCP(t, func(c net.Conn) { instrument(c, "\n", nil) }), Options{})
	raw, err := l.port.(*tcpPort).SyscallConn()
	require.NoError(t, err)
	require.NoError(t, raw.Control(func(fd uintptr) {
		on, err := unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_NODELAY)
		require.NoError(t, err)
		require.NotZero(t, on)
		ms, err := unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT)
		require.NoError(t, err)
		require.EqualValues(t, deadPeer.Milliseconds(), ms)
	}))
}

func TestTCPDisconnectInTheMiddleAndBack(t *testing.T) {
	first := make(chan struct{}, 1)
	first <- struct{}{}
	address := listenTCP(t, func(c net.Conn) {
		select {
		case <-first:
			c.Read(make([]byte, 100))
			fmt.Fprint(c, "A12")
		default:
			instrument(c, "\n", nil)
		}
	})
	up := make(chan State, 10)
	l := connect(t, address, Options{OnState: func(s State) { up <- s }})
	_, err := l.Query(bg, Warden, "Q12.5")
	require.ErrorIs(t, err, ErrLost)
	require.False(t, (<-up).Up)
	require.True(t, (<-up).Up)
	answer, err := l.Query(bg, Warden, "Q12.5")
	require.NoError(t, err)
	require.Equal(t, "A12.5", string(answer))
}

func TestUnpluggedSerialPortEndsTheReadAtOnce(t *testing.T) {
	seen := make(chan string, 10)
	terminal, path := openPty(t, "\n", seen)
	l := connect(t, "serial://"+path, Options{ReplyWithin: time.Minute, Resync: Resync{Token: tokens()}})
	hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "HANG?") })
	next(t, seen, "HANG?")
	start := time.Now()
	require.NoError(t, terminal.Close())
	require.ErrorIs(t, (<-hung).err, ErrLost)
	require.Less(t, time.Since(start), soon)
}

func TestSerialDeviceGoneAndBackUnderTheSamePath(t *testing.T) {
	byID := filepath.Join(t.TempDir(), "usb-Quayside_test-if00-port0")
	terminal, path := openPty(t, "\n", nil)
	require.NoError(t, os.Symlink(path, byID))
	states := make(chan State, 100)
	l := connect(t, "serial://"+byID, Options{Resync: Resync{Token: tokens()}, OnState: func(s State) { states <- s }})
	_, err := l.Query(bg, Warden, "Q1")
	require.NoError(t, err)

	require.NoError(t, os.Remove(byID))
	require.NoError(t, terminal.Close())
	_, err = l.Query(bg, Warden, "Q2")
	require.ErrorIs(t, err, ErrLost)
	require.False(t, (<-states).Up)

	_, other := openPty(t, "\n", nil)
	require.NoError(t, os.Symlink(other, byID))
	require.True(t, (<-states).Up)
	answer, err := l.Query(bg, Warden, "Q3")
	require.NoError(t, err)
	require.Equal(t, "A3", string(answer))
}

func TestLateAnswerSurvivesAReopenedPortAndIsThrownAway(t *testing.T) {
	terminal, path, err := pty.Open()
	require.NoError(t, err)
	defer terminal.Close()
	_, err = terminal.WriteString("Aold\n")
	require.NoError(t, err)
	go instrument(terminal, "\n", nil)
	l := connect(t, "serial://"+path, Options{Resync: Resync{Token: tokens()}})
	answer, err := l.Query(bg, Warden, "Qnew")
	require.NoError(t, err)
	require.Equal(t, "Anew", string(answer))
}

func TestSerialPortIsOpenedAsItShouldBe(t *testing.T) {
	_, path := openPty(t, "\n", nil)
	l := connect(t, "serial://"+path+"?baud=19200&stop=2&flow=rts", Options{})
	raw := l.port.(*serialPort).raw
	require.NoError(t, raw.Control(func(fd uintptr) {
		flags, err := unix.FcntlInt(fd, unix.F_GETFD, 0)
		require.NoError(t, err)
		require.NotZero(t, flags&unix.FD_CLOEXEC, "a child must not inherit it")
		got, err := unix.IoctlGetTermios(int(fd), unix.TCGETS2)
		require.NoError(t, err)
		require.EqualValues(t, 19200, got.Ospeed)
		require.EqualValues(t, 19200, got.Ispeed)
		require.Zero(t, got.Cflag&unix.HUPCL, "closing must not drop DTR")
		require.NotZero(t, got.Cflag&unix.CSTOPB)
		require.NotZero(t, got.Cflag&unix.CRTSCTS)
		require.Zero(t, got.Lflag&(unix.ICANON|unix.ECHO|unix.ISIG), "raw bytes")
	}))
}

func TestSettingsThatThePortCannotDoAreRefused(t *testing.T) {
	_, path := openPty(t, "\n", nil)
	// A pseudo-terminal has eight bits without parity, and no modem lines.
	_, err := Dial(bg, "serial://"+path+"?bits=7&parity=even", Options{LockDir: t.TempDir()})
	require.ErrorContains(t, err, "this port cannot do 7 data bits, parity even")
	_, err = Dial(bg, "serial://"+path+"?dtr=off", Options{LockDir: t.TempDir()})
	require.ErrorContains(t, err, "cannot switch DTR off")
}

func TestPortLockedByAnotherProcessIsNamed(t *testing.T) {
	if path := os.Getenv("LINK_TEST_HOLD"); path != "" {
		_, err := Dial(bg, "serial://"+path, Options{LockDir: os.Getenv("LINK_TEST_LOCKS")})
		require.NoError(t, err)
		fmt.Println("held")
		io.Copy(io.Discard, os.Stdin)
		return
	}
	_, path := openPty(t, "\n", nil)
	locks := t.TempDir()
	holder := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$")
	holder.Env = append(os.Environ(), "LINK_TEST_HOLD="+path, "LINK_TEST_LOCKS="+locks)
	stdin, err := holder.StdinPipe()
	require.NoError(t, err)
	stdout, err := holder.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, holder.Start())
	line, err := bufio.NewReader(stdout).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "held\n", line)

	other := filepath.Join(t.TempDir(), "by-id")
	require.NoError(t, os.Symlink(path, other))
	for _, p := range []string{path, other} {
		_, err = Dial(bg, "serial://"+p, Options{Name: "control", LockDir: locks})
		require.ErrorIs(t, err, ErrBusy)
		require.ErrorContains(t, err, fmt.Sprintf("process %d (link.test)", holder.Process.Pid))
	}

	require.NoError(t, holder.Process.Kill())
	holder.Wait()
	stdin.Close()
	l, err := Dial(bg, "serial://"+path, Options{LockDir: locks})
	require.NoError(t, err, "the lock dies with its process")
	defer l.Close()
	_, err = Dial(bg, "serial://"+path, Options{LockDir: locks})
	require.ErrorIs(t, err, ErrBusy)
	require.ErrorContains(t, err, "this very process")
}

func TestProbeFindsTheTerminator(t *testing.T) {
	_, path := openPty(t, "\r", nil)
	found, err := Probe(bg, path)
	require.NoError(t, err)
	require.NotEmpty(t, found)
	for _, f := range found {
		require.Equal(t, 9600, f.Baud)
		require.Contains(t, f.EOL, "\r", "a line feed alone ends nothing there")
		require.Equal(t, "\r", f.Ends)
		require.Equal(t, "Quayside Simulated,test SIMULATED,0,0", f.Reply)
	}
	at, err := ParseAddress(found[len(found)-1].Address)
	require.NoError(t, err)
	require.Equal(t, "\r", at.EOL)
}
