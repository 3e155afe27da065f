// Package bench is one bench as it is wired: which instrument plays which role over which link, how probes reach the test
// points, what is earthed, and which state of each output is the safe one.
//
// It opens the links and brings every output into its safe state before anything else (P1), polls the watched quantities
// and hands each reading to the guard before anybody else sees it (P2), programs the supplies' own protection before an
// output goes on (P3), refuses setpoints past a limit before they are sent (P4), makes the bench safe, and says what is
// known of the drive's DC bus (P11). It knows no warden and no hands desk, only the small interfaces Guard and Consent.
package bench
