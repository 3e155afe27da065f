//go:build !linux

package simulated

import "errors"

func openTerminal() (line terminal, device string, err error) {
	return nil, "", errors.New("the simulated bench needs pseudo-terminals, which are made on Linux only so far")
}
