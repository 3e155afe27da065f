package simulated

import (
	"encoding/binary"
	"fmt"
	"strings"

	"benchwarden/instruments/scpi"
)

// traces adds the commands that read a finished acquisition.
func (s *scope) traces() {
	s.Handle("FORMat[:DATA]", scpi.Command{
		Takes: 2,
		Do: func(c *scpi.Call) error {
			if _, err := c.Keyword(0, "INTeger"); err != nil {
				return err
			}
			bits := 8
			if c.Len() > 1 {
				var err error
				if bits, err = c.Int(1, 8, 16); err != nil {
					return err
				}
			}
			if bits != 8 && bits != 16 {
				return scpi.NewError(-224, fmt.Sprintf("INTeger,%d: 8 and 16 bits are there", bits))
			}
			s.bits = bits
			return nil
		},
		Ask: func(*scpi.Call) (string, error) { return fmt.Sprintf("INT,%d", s.bits), nil },
	})
	s.choice("FORMat:BORDer", []string{"NORMal", "SWAPped"},
		func() string {
			if s.swapped {
				return "SWAP"
			}
			return "NORM"
		},
		func(word string) error { s.swapped = word == "SWAP"; return nil })
	s.Handle("TRACe:PREamble", scpi.Command{AskTakes: 1, Ask: s.preamble})
	s.Handle("TRACe[:DATA]", scpi.Command{AskTakes: 1, Ask: s.data})
}

// record is the finished acquisition of the channel that is the call's parameter: CH1 to CH4.
func (s *scope) record(c *scpi.Call) (*record, error) {
	word, err := c.Keyword(0, "CH1", "CH2", "CH3", "CH4")
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.finished[word[len(word)-1]-'1']
	switch {
	case r != nil:
		return r, nil
	case s.running != nil:
		return nil, scpi.NewError(-230, "the acquisition is under way")
	}
	return nil, scpi.NewError(-230, "nothing was acquired on "+word)
}

// preamble tells how to read the block: points, step and start in seconds, scale and offset in volts, the codes at which the
// converter clips.
func (s *scope) preamble(c *scpi.Call) (string, error) {
	r, err := s.record(c)
	if err != nil {
		return "", err
	}
	scale, low, high := r.scale, -128, 127
	if s.bits == 16 {
		scale, low, high = scale/256, low*256, high*256
	}
	n := scpi.FormatNumber
	return strings.Join([]string{
		fmt.Sprint(len(r.codes)), n(r.step), n(r.start), n(scale), n(r.offset), fmt.Sprint(low), fmt.Sprint(high),
	}, ","), nil
}

// data is the block of codes, signed.
func (s *scope) data(c *scpi.Call) (string, error) {
	r, err := s.record(c)
	if err != nil {
		return "", err
	}
	if s.bits == 8 {
		data := make([]byte, len(r.codes))
		for i, code := range r.codes {
			data[i] = byte(code)
		}
		return string(scpi.EncodeBlock(data)), nil
	}
	var order binary.ByteOrder = binary.BigEndian
	if s.swapped {
		order = binary.LittleEndian
	}
	data := make([]byte, 2*len(r.codes))
	for i, code := range r.codes {
		order.PutUint16(data[2*i:], uint16(int16(code)*256))
	}
	return string(scpi.EncodeBlock(data)), nil
}
