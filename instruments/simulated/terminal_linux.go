package simulated

import "benchwarden/instruments/link/pty"

func openTerminal() (line terminal, device string, err error) {
	t, device, err := pty.Open()
	if err != nil {
		return nil, "", err
	}
	return t, device, nil
}
