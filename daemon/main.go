// Benchwarden supervises the bench of a person who repairs motor drives.
package main

import (
	"os"

	"benchwarden/daemon/command"
)

func main() {
	os.Exit(command.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
