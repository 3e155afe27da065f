// Package scpi reads and writes messages of IEEE 488.2 and SCPI-99. It does no
// I/O of its own.
//
// It has two sides. The controller's side reads answers: numbers with their
// stand-ins for a missing value (ParseNumber), lists, strings, blocks, the
// entries of an error queue, and where an answer ends (Framing). The
// instrument's side is a device that obeys the standards strictly: a command
// tree (Tree), status registers (Status), an error queue (Queue) and sessions
// that execute program messages (Device, Session). Simulated instruments are
// built on it.
//
// Clauses of the standards are quoted as open SCPI libraries and programming
// manuals of instruments quote them.
package scpi
