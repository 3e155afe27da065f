package link

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

const (
	serveVariable = "LINK_TEST_SERVE"
	question      = "MEAS:VOLT?"
	reading       = "1.234567E+01\n"
	blockQuestion = "TRAC:DATA?"
	blockSize     = 1_000_000
)

// TestMain is also the server of the benchmarks, in a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv(serveVariable) != "" {
		serveBench()
		return
	}
	os.Exit(m.Run())
}

func serveBench() {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	fmt.Println(listener.Addr())
	go func() {
		io.Copy(io.Discard, os.Stdin) // the benchmark ends
		os.Exit(0)
	}()
	for {
		c, err := listener.Accept()
		if err != nil {
			return
		}
		go answerBench(c)
	}
}

func answerBench(c net.Conn) {
	block := []byte(fmt.Sprintf("#7%07d%s\n", blockSize, bytes.Repeat([]byte{'x'}, blockSize)))
	buf := make([]byte, 4096)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		answer := []byte(reading)
		if strings.HasPrefix(string(buf[:n]), blockQuestion) {
			answer = block
		}
		if _, err := c.Write(answer); err != nil {
			return
		}
	}
}

// onOneProcessor pins this process, and with it the server that is started
// afterwards: the ratio of two processes that wander over processors means
// nothing.
func onOneProcessor(b *testing.B) {
	b.Helper()
	var before, one unix.CPUSet
	require.NoError(b, unix.SchedGetaffinity(0, &before))
	for cpu := range 1024 {
		if before.IsSet(cpu) {
			one.Set(cpu)
			break
		}
	}
	pin := func(set *unix.CPUSet) {
		threads, err := os.ReadDir("/proc/self/task")
		require.NoError(b, err)
		for _, thread := range threads {
			tid, err := strconv.Atoi(thread.Name())
			require.NoError(b, err)
			if err := unix.SchedSetaffinity(tid, set); err != nil {
				require.ErrorIs(b, err, unix.ESRCH, "only a thread that has ended")
			}
		}
	}
	pin(&one)
	b.Cleanup(func() { pin(&before) })
}

func startServer(b *testing.B) (host string) {
	b.Helper()
	server := exec.Command(os.Args[0])
	server.Env = append(os.Environ(), serveVariable+"=1")
	stdin, err := server.StdinPipe()
	require.NoError(b, err)
	stdout, err := server.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, server.Start())
	b.Cleanup(func() {
		stdin.Close()
		server.Wait()
	})
	buf := make([]byte, 100)
	n, err := stdout.Read(buf)
	require.NoError(b, err)
	return strings.TrimSpace(string(buf[:n]))
}

// compare runs both in random order, many times, and reports the median of
// limit's time over ours: 1 is as fast as the limit.
func compare(b *testing.B, each int, limit, ours func(), metric string) {
	var ratios, bare, through []float64
	took := func(f func()) float64 {
		start := time.Now()
		for range each {
			f()
		}
		return float64(time.Since(start).Nanoseconds()) / float64(each)
	}
	took(limit)
	took(ours)
	for b.Loop() {
		var l, o float64
		if rand.IntN(2) == 0 {
			l, o = took(limit), took(ours)
		} else {
			o, l = took(ours), took(limit)
		}
		ratios, bare, through = append(ratios, l/o), append(bare, l), append(through, o)
	}
	median := func(v []float64) float64 {
		slices.Sort(v)
		return v[len(v)/2]
	}
	b.ReportMetric(median(ratios), metric)
	b.ReportMetric(median(bare), "ns/bare")
	b.ReportMetric(median(through), "ns/link")
	b.ReportMetric(0, "ns/op")
}

func benchLink(b *testing.B, host string, framer Framer) (*Link, context.Context) {
	b.Helper()
	l, err := Dial(bg, "tcp://"+host, Options{Framer: framer, Resync: Resync{Token: tokens()}})
	require.NoError(b, err)
	b.Cleanup(func() { l.Close() })
	ctx, cancel := context.WithCancel(bg) // as every caller has one
	b.Cleanup(cancel)
	return l, ctx
}

// The limit is a bare socket that writes the same question and reads the same
// answer, without deadline, framing or safety. Aim: 0.90 of it.
func BenchmarkRoundTrip(b *testing.B) {
	onOneProcessor(b)
	host := startServer(b)
	l, ctx := benchLink(b, host, nil)
	bare, err := net.Dial("tcp", host)
	require.NoError(b, err)
	defer bare.Close()
	message, buf := []byte(question+"\n"), make([]byte, 4096)
	compare(b, 200, func() {
		if _, err := bare.Write(message); err != nil {
			b.Fatal(err)
		}
		if n, err := bare.Read(buf); err != nil || string(buf[:n]) != reading {
			b.Fatal(n, err)
		}
	}, func() {
		if answer, err := l.Query(ctx, Warden, question); err != nil || string(answer) != strings.TrimSpace(reading) {
			b.Fatal(string(answer), err)
		}
	}, "of-bare-socket")
}

// blockFramer reads the length of a definite block, as IEEE 488.2 has it.
type blockFramer struct{}

func (blockFramer) End(buf []byte) (end, next, need int, err error) {
	const header = 9
	if len(buf) < header {
		return -1, 0, header - len(buf), nil
	}
	size, err := strconv.Atoi(string(buf[2:header]))
	if whole := header + size + 1; len(buf) < whole {
		return -1, 0, whole - len(buf), err
	}
	return header + size, header + size + 1, 0, err
}

// The limit is a bare socket that reads as many bytes, whose number it knows
// before. Aim: 0.80 of it. "kept" reads each block into memory of its own,
// "reused" all into the same; so does the bare socket.
func BenchmarkBlockOfOneMegapoint(b *testing.B) {
	onOneProcessor(b)
	host := startServer(b)
	l, ctx := benchLink(b, host, blockFramer{})
	bare, err := net.Dial("tcp", host)
	require.NoError(b, err)
	defer bare.Close()
	const whole = 9 + blockSize + 1
	message := []byte(blockQuestion + "\n")
	read := func(buf []byte) {
		if _, err := bare.Write(message); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(bare, buf); err != nil {
			b.Fatal(err)
		}
	}
	query := func(buf []byte) []byte {
		answer, err := l.QueryInto(ctx, Script, blockQuestion, buf)
		if err != nil || len(answer) != whole-1 {
			b.Fatal(len(answer), err)
		}
		return answer
	}
	b.Run("reused", func(b *testing.B) {
		mine, theirs := make([]byte, 0, whole), make([]byte, whole)
		compare(b, 5, func() { read(theirs) }, func() { query(mine) }, "of-bare-read")
	})
	b.Run("kept", func(b *testing.B) {
		var kept []byte // the last block, so that it lives on the heap
		compare(b, 5, func() { kept = make([]byte, whole); read(kept) }, func() { kept = query(nil) }, "of-bare-read")
		require.NotEmpty(b, kept)
	})
}

// A round trip allocates the answer, and what ties it to the caller's context.
func TestQueryAllocatesLittle(t *testing.T) {
	address := listenTCP(t, answerBench)
	l := connect(t, address, Options{})
	ctx, cancel := context.WithCancel(bg)
	defer cancel()
	runtime.GC()
	for _, tt := range []struct {
		name string
		ctx  context.Context
		most float64
	}{{"without a context to watch", bg, 2}, {"with one", ctx, 7}} {
		t.Run(tt.name, func(t *testing.T) {
			require.LessOrEqual(t, testing.AllocsPerRun(200, func() {
				if _, err := l.Query(tt.ctx, Warden, question); err != nil {
					t.Fatal(err)
				}
			}), tt.most)
		})
	}
}
