package scpi

import (
	"strconv"
	"strings"
)

// handleCommon adds the common commands of IEEE 488.2, chapter 10.
func (d *Device) handleCommon() {
	d.Handle("*CLS", Command{Do: func(*Call) error {
		d.clear()
		d.complete = nil
		return nil
	}})
	d.Handle("*ESE", Command{Takes: 1,
		Do: func(c *Call) error {
			mask, err := c.Int(0, 0, 255)
			if err == nil {
				d.setEventEnable(byte(mask))
			}
			return err
		},
		Ask: func(*Call) (string, error) {
			mask, _ := d.enables()
			return integer(mask), nil
		}})
	d.Handle("*ESR", Command{Ask: func(*Call) (string, error) { return integer(d.takeEvent()), nil }})
	d.Handle("*IDN", Command{Ask: func(*Call) (string, error) { return d.identity(), nil }})
	d.Handle("*OPC", Command{
		Do: func(*Call) error {
			d.complete = d.pending()
			if d.complete == nil {
				d.raise(eventOperationComplete)
			}
			d.notice()
			return nil
		},
		Ask: func(c *Call) (string, error) {
			c.Await(d.pending())
			return "1", nil
		}})
	d.Handle("*RST", Command{Do: func(*Call) error {
		d.complete = nil
		if d.Reset != nil {
			d.Reset()
		}
		return nil
	}})
	d.Handle("*SRE", Command{Takes: 1,
		Do: func(c *Call) error {
			mask, err := c.Int(0, 0, 255)
			if err == nil {
				d.setServiceEnable(byte(mask))
			}
			return err
		},
		Ask: func(*Call) (string, error) {
			_, mask := d.enables()
			return integer(mask), nil
		}})
	d.Handle("*STB", Command{Ask: func(c *Call) (string, error) {
		return integer(d.statusByte(c.session.answer != nil)), nil
	}})
	d.Handle("*TST", Command{Ask: func(*Call) (string, error) {
		if d.SelfTest == nil {
			return "0", nil
		}
		return strconv.Itoa(d.SelfTest()), nil
	}})
	d.Handle("*WAI", Command{Do: func(c *Call) error {
		c.Await(d.pending())
		return nil
	}})
}

func (d *Device) identity() string {
	fields := d.id
	for i, f := range fields {
		if f == "" {
			fields[i] = "0"
		}
	}
	return strings.Join(fields[:], ",")
}

// handleSystem adds SYSTem:ERRor and SYSTem:VERSion (SCPI-99 volume 2, clauses
// 21.8 and 21.21, the latter number from memory).
func (d *Device) handleSystem() {
	d.Handle("SYSTem:ERRor[:NEXT]", Command{Ask: func(*Call) (string, error) { return d.Errors.next().Entry(), nil }})
	d.Handle("SYSTem:ERRor:COUNt", Command{Ask: func(*Call) (string, error) { return strconv.Itoa(d.Errors.Len()), nil }})
	d.Handle("SYSTem:ERRor:ALL", Command{Ask: func(*Call) (string, error) { return d.Errors.all(), nil }})
	d.Handle("SYSTem:VERSion", Command{Ask: func(*Call) (string, error) { return "1999.0", nil }})
}

// handleStatus adds the STATus subsystem (SCPI-99 volume 2, chapter 20).
func (d *Device) handleStatus() {
	d.Handle("STATus:PRESet", Command{Do: func(*Call) error {
		d.preset()
		return nil
	}})
	for name, r := range map[string]*Register{"OPERation": &d.Operation, "QUEStionable": &d.Questionable} {
		d.Handle("STATus:"+name+"[:EVENt]", Command{Ask: func(*Call) (string, error) { return integer(r.takeEvent()), nil }})
		d.Handle("STATus:"+name+":CONDition", Command{Ask: func(*Call) (string, error) { return integer(r.Condition()), nil }})
		for mask, which := range map[string]func(*Register) *uint16{
			"ENABle":      func(r *Register) *uint16 { return &r.enable },
			"PTRansition": func(r *Register) *uint16 { return &r.positive },
			"NTRansition": func(r *Register) *uint16 { return &r.negative },
		} {
			d.Handle("STATus:"+name+":"+mask, Command{Takes: 1,
				Do: func(c *Call) error {
					value, err := c.Int(0, 0, 65535)
					if err == nil {
						r.setMask(which, uint16(value))
					}
					return err
				},
				Ask: func(*Call) (string, error) { return integer(r.mask(which)), nil }})
		}
	}
}

func integer[T ~uint8 | ~uint16](n T) string { return strconv.Itoa(int(n)) }
