package hand

import (
	"context"
	"fmt"

	"benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Hall is a source of Hall signals whose three switches a person sets. One caller uses it at a time.
type Hall struct {
	name  string
	asker Asker
	on    bool // until the person has confirmed that it is off
	code  int  // as the person last confirmed it; -1 before
}

// NewHall returns three switches that may be on. Nobody is asked anything yet.
func NewHall(name string, asker Asker) *Hall {
	return &Hall{name: name, asker: asker, on: true, code: -1}
}

// Name is the source's role.
func (h *Hall) Name() string { return h.name }

// Output has the person connect the lines, or open them all.
func (h *Hall) Output(ctx context.Context, _ link.Priority, on bool) error {
	word, text := "off", "Open all three Hall lines (the switches' supply off) and confirm."
	if on {
		h.on = true
		word, text = "on", "Connect the three Hall switches (their supply on) and confirm."
	}
	if err := h.do(ctx, word, text); err != nil {
		return err
	}
	h.on = on
	return nil
}

func (h *Hall) do(ctx context.Context, act, text string) error {
	if _, err := h.asker.Ask(ctx, Question{Role: h.name, Act: act, Text: text}); err != nil {
		return fmt.Errorf("%s, by hand: %s: %w", h.name, act, err)
	}
	return nil
}

// On is true until the person has confirmed that the lines are open.
func (h *Hall) On(context.Context, link.Priority) (bool, error) { return h.on, nil }

// Off is ErrByHand.
func (h *Hall) Off() error { return fmt.Errorf("%s: open the lines: %w", h.name, ErrByHand) }

// SetCode has the person set the three switches: bit 2 is Hall 1, bit 1 Hall 2, bit 0 Hall 3. As they stand they are not asked for again.
func (h *Hall) SetCode(ctx context.Context, code int) error {
	if code < 0 || code > 7 {
		return fmt.Errorf("%s, by hand: Hall code %d: there are 0 to 7; nobody was asked", h.name, code)
	}
	if code == h.code {
		return nil
	}
	text := fmt.Sprintf("Set the Hall switches to %s (code %d) and confirm.", switches(code), code)
	if err := h.do(ctx, fmt.Sprintf("code|%d", code), text); err != nil {
		return err
	}
	h.code = code
	return nil
}

// Forget drops the code that was confirmed, as Contacts.Forget.
func (h *Hall) Forget() { h.code = -1 }

// switches writes a code as the positions of the three switches.
func switches(code int) string {
	return fmt.Sprintf("H1 %s, H2 %s, H3 %s", position(code&4), position(code&2), position(code&1))
}

func position(bit int) string {
	if bit != 0 {
		return "high"
	}
	return "low"
}

// SetLine has the person drive, open or short one line.
func (h *Hall) SetLine(ctx context.Context, line int, state hall.Line) error {
	return h.do(ctx, fmt.Sprintf("line|%d|%s", line, state), fmt.Sprintf("Make Hall line %d %s and confirm.", line, lineWord[state]))
}

var lineWord = map[hall.Line]string{hall.Driven: "follow its switch", hall.Open: "open", hall.Short: "short to the sensors' negative supply"}

// Spacing means nothing to switches that hold one state: nobody is asked.
func (h *Hall) Spacing(context.Context, int) error { return nil }

// Run is ErrByHand: nobody turns switches as fast as a motor turns.
func (h *Hall) Run(context.Context, quantity.Hertz, bool) error {
	return fmt.Errorf("%s: turn as a motor does: %w", h.name, ErrByHand)
}

// Hold has nothing to stop.
func (h *Hall) Hold(context.Context) error { return nil }

// Sense asks the person for what a meter shows on the lines, as a code.
func (h *Hall) Sense(ctx context.Context) (int, error) {
	text := "Measure the Hall lines and type H1, H2 and H3 as one number: 4 for H1 high, 2 for H2 high, 1 for H3 high, added up."
	q := Question{Role: h.name, Act: "sense", Text: text, Offers: []string{"0", "1", "2", "3", "4", "5", "6", "7"}}
	answer, err := h.asker.Ask(ctx, q)
	if err != nil {
		return 0, fmt.Errorf("%s, by hand: sense: %w", h.name, err)
	}
	var code int
	if _, err := fmt.Sscanf(answer, "%d", &code); err != nil || code < 0 || code > 7 {
		return 0, fmt.Errorf("%s, by hand: %w: %q is no Hall code", h.name, ErrImplausible, answer)
	}
	return code, nil
}
