// Package simulated is a bench without a bench: strict SCPI instruments, each on a TCP port or pseudo-terminal of its own,
// around one physical model of a drive (package plant). Whoever wants one starts it and talks to it over its sockets, with this
// program or with any other SCPI client; there is no other way in.
//
// Every instrument says in its identity that it is simulated. Its readings carry its own gain and offset error, inside the
// accuracy that the bench file states, and noise; both come from the seed. It takes about the time that such an instrument takes,
// without keeping other connections waiting: a second connection can switch off while the first one waits.
//
// Instruments and links fail by name too (Faults): an answer that comes late, in half or twice, a supply that ignores off.
package simulated
