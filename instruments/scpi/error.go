package scpi

import (
	"fmt"
	"strconv"
	"strings"
)

// Error is one entry of an instrument's error queue. Text may end with a detail
// of the instrument's own after a semicolon.
type Error struct {
	Number int
	Text   string
}

func (e Error) Error() string { return fmt.Sprintf("instrument error %d: %s", e.Number, e.Text) }

// longestText is the most that an error's text may have, detail included.
//
// Source: programming manual of a waveform generator, quoting SCPI-99.
const longestText = 255

// NewError is the standard's error of that number with its text, followed by a
// detail where there is one. A number that the standard does not name, such as
// a positive one, gets the detail as its text.
func NewError(number int, detail string) Error {
	text, known := standardTexts[number]
	switch {
	case !known:
		text = detail
	case detail != "":
		text += ";" + detail
	}
	return Error{Number: number, Text: printable(text, longestText)}
}

// Entry is the error as SYSTem:ERRor? answers it.
func (e Error) Entry() string {
	return strconv.Itoa(e.Number) + "," + FormatString(e.Text)
}

// StandardText is the text that SCPI-99 gives to an error number.
func StandardText(number int) (text string, known bool) {
	text, known = standardTexts[number]
	return text, known
}

// ParseError reads an answer to SYSTem:ERRor?, such as -113,"Undefined header".
// +0,"No error" is Error{0, "No error"} and no failure. Text without quotes is
// accepted if it starts with a letter, as some instruments send it; a number
// alone is refused, since a late answer to another query could look like it.
func ParseError(reply string) (Error, error) {
	fail := func() (Error, error) {
		return Error{}, fmt.Errorf("the answer %s is no entry of an error queue (a number, a comma, a text in quotes)", quote(reply))
	}
	number, text, found := strings.Cut(strings.TrimFunc(reply, isSpaceRune), ",")
	if !found {
		return fail()
	}
	n, err := strconv.ParseInt(strings.TrimFunc(number, isSpaceRune), 10, 16)
	if err != nil {
		return fail()
	}
	text = strings.TrimFunc(text, isSpaceRune)
	if text != "" && isLetter(text[0]) {
		return Error{Number: int(n), Text: text}, nil
	}
	if text, err = ParseString(text); err != nil {
		return fail()
	}
	return Error{Number: int(n), Text: text}, nil
}

// eventBit is the bit of the standard event status register that an error or
// event sets. Positive numbers are the instrument's own errors.
//
// Source: SCPI-99 volume 2, clause 21.8; IEEE 488.2 clause 11.5.1.
func eventBit(number int) byte {
	if number > 0 {
		return eventDevice
	}
	switch number / 100 {
	case -1:
		return eventCommand
	case -2:
		return eventExecution
	case -3:
		return eventDevice
	case -4:
		return eventQuery
	case -5:
		return eventPowerOn
	case -6:
		return eventUserRequest
	case -7:
		return eventRequestControl
	case -8:
		return eventOperationComplete
	}
	return 0
}

// printable keeps a text fit for an error queue: no control characters, not
// longer than most bytes.
func printable(text string, most int) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, text)
	return text[:min(len(text), most)]
}
