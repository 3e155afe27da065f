// Package link moves messages and answers between the program and one
// instrument, over TCP or a serial port. It knows no instrument: how an answer
// ends is told by a Framer, what proves that question and answer are in step by
// a Resync.
//
// A link holds these promises:
//
//   - One exchange at a time, by a turn that is given out by priority. The
//     caller does the exchange itself; there is no goroutine in the way.
//   - Every exchange has one deadline. Whatever goes wrong, the link is then out
//     of step, and the next question waits until the link is in step again, so
//     that a late answer is never taken for the answer to a newer question.
//   - Urgent writes at once, also while somebody waits for an answer. It waits
//     for bytes being written and for nothing else.
//   - A lost connection is an error for whoever uses it, and is reopened with
//     back-off by the link's one goroutine, which ends with Close.
//
// # Serial ports
//
// On Linux the port is our own, over termios with a non-blocking descriptor:
// the runtime's poller then gives reads and writes deadlines, ends both when
// the port is closed or the device pulled out, and a descriptor may have any
// number. The library go.bug.st/serial could be used only by finding the
// descriptor it hides, to make up for what it lacks: a deadline for writes, a
// Close that ends one, close-on-exec, flow control. Its list of ports opens and
// reconfigures ports that may be in use. On other systems the library does the
// work, behind the same Port interface, without flow control.
//
// Each open serial port is locked by a file of ours, since the exclusive mode of
// a terminal does not bind root.
package link
