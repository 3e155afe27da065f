package hands

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"

	"benchwarden/daemon/event"
)

// Respond is how an answer reaches a desk: the desk itself, or a daemon's API.
type Respond func(id, text string) error

// Terminal asks a person at a terminal. It owns in; lines that answer no prompt are ignored with a word.
type Terminal struct {
	out     io.Writer
	respond Respond
	lines   chan string
	prompts chan event.Prompt
}

// NewTerminal starts reading lines from in; the reader ends with in.
func NewTerminal(in io.Reader, out io.Writer, respond Respond) *Terminal {
	t := &Terminal{out: out, respond: respond, lines: make(chan string), prompts: make(chan event.Prompt, 16)}
	go func() {
		defer close(t.lines)
		scanner := bufio.NewScanner(in)
		for scanner.Scan() {
			t.lines <- strings.TrimSpace(scanner.Text())
		}
	}()
	return t
}

// Put shows a prompt; Run takes its answer.
func (t *Terminal) Put(p event.Prompt) { t.prompts <- p }

// Run takes answers until ctx ends or the input does.
func (t *Terminal) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case p := <-t.prompts:
			if err := t.answer(ctx, p); err != nil {
				return err
			}
		case line, ok := <-t.lines:
			if !ok {
				return nil
			}
			if line != "" {
				fmt.Fprintln(t.out, "  nothing was asked")
			}
		}
	}
}

func (t *Terminal) answer(ctx context.Context, p event.Prompt) error {
	for {
		t.show(p)
		select {
		case <-ctx.Done():
			return nil
		case line, ok := <-t.lines:
			if !ok {
				return fmt.Errorf("%q was not answered: the terminal's input ended", p.Text)
			}
			text, fault := answerOf(p, line)
			if fault == "" {
				err := t.respond(p.ID, text)
				if err == nil {
					return nil
				}
				fault = err.Error()
			}
			fmt.Fprintf(t.out, "  %s\n", fault)
		}
	}
}

func (t *Terminal) show(p event.Prompt) {
	fmt.Fprintf(t.out, "\n  >> %s\n", p.Text)
	for _, live := range p.Live {
		fmt.Fprintf(t.out, "     live: %s\n", live)
	}
	fmt.Fprintf(t.out, "     %s: ", howToAnswer(p))
}

func howToAnswer(p event.Prompt) string {
	switch {
	case p.Action == Energise:
		return "type  energise  and Enter to allow it"
	case p.Action == Clear:
		return "type  clear  and Enter when hands are clear"
	case p.Action == Read || p.Action == Prove:
		return "type the reading with its unit and Enter"
	case len(p.Offers) > 0:
		return "type " + strings.Join(p.Offers, " or ") + " and Enter"
	}
	return "Enter when done"
}

// answerOf turns a line into an answer; the words that energise have to be typed, an Enter alone never energises.
func answerOf(p event.Prompt, line string) (text, fault string) {
	switch p.Action {
	case Energise, Clear:
		if line != p.Action {
			return "", fmt.Sprintf("nothing done: %q is not the word", line)
		}
	case Read, Prove:
		if line == "" {
			return "", "no reading was typed"
		}
	}
	return line, ""
}
