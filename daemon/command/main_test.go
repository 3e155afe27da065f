package command

import (
	"flag"
	"os"
	"testing"
)

// runsAsProgram in the environment makes the test binary the program itself: tests start it as users start the daemon.
const runsAsProgram = "REEXEC_AS_PROGRAM"

// TestMain lets the test binary stand in for the program, as "simulate" always and as anything else when asked to.
func TestMain(m *testing.M) {
	simulate := len(os.Args) > 1 && os.Args[1] == "simulate"
	if simulate || os.Getenv(runsAsProgram) != "" {
		os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "test.parallel" })
	if !asked {
		_ = flag.Set("test.parallel", atOnce) // a number
	}
	os.Exit(m.Run())
}
