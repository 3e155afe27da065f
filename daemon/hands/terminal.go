package hands

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"benchwarden/daemon/event"
)

// Respond is how an answer reaches a desk: the desk itself, or a daemon's API.
type Respond func(id, text string) error

// Terminal asks a person at a terminal. It owns in; lines that answer no prompt are ignored with a word.
type Terminal struct {
	in      io.Reader
	out     io.Writer
	respond Respond
	wake    chan struct{}

	mu     sync.Mutex
	queue  []event.Prompt // the first one is shown
	begged string         // the prompt that was shown last
}

// NewTerminal returns a terminal that has not asked anything; Run reads from in.
func NewTerminal(in io.Reader, out io.Writer, respond Respond) *Terminal {
	return &Terminal{in: in, out: out, respond: respond, wake: make(chan struct{}, 1)}
}

// Put shows a prompt; Run takes its answer. It never waits.
func (t *Terminal) Put(p event.Prompt) {
	t.mu.Lock()
	t.queue = append(t.queue, p)
	t.mu.Unlock()
	t.signal()
}

// Follow puts and takes back prompts as a bench tells of them; what else happens there is none of a terminal's business.
func (t *Terminal) Follow(body event.Body) {
	switch b := body.(type) {
	case event.Prompt:
		t.Put(b)
	case event.Answered:
		t.Over(b.ID)
	case event.Withdrawn:
		t.Over(b.ID)
	}
}

// Over takes a prompt back that was withdrawn or answered elsewhere.
func (t *Terminal) Over(id string) {
	t.mu.Lock()
	t.queue = slices.DeleteFunc(t.queue, func(p event.Prompt) bool { return p.ID == id })
	t.mu.Unlock()
	t.signal()
}

func (t *Terminal) signal() {
	select {
	case t.wake <- struct{}{}:
	default:
	}
}

// Run takes answers until ctx ends. Where the input ends before, prompts are still shown: they can be answered elsewhere. The
// goroutine that reads in ends with Run, or where a read never returns, with in.
func (t *Terminal) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	lines := make(chan string)
	go read(ctx, t.in, lines)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.wake:
			t.show(lines == nil)
		case line, ok := <-lines:
			if !ok {
				lines = nil // no more lines: never ready again
				continue
			}
			t.take(line)
		}
	}
}

func read(ctx context.Context, in io.Reader, lines chan<- string) {
	defer close(lines)
	scanner := bufio.NewScanner(in)
	for scanner.Scan() {
		select {
		case lines <- strings.TrimSpace(scanner.Text()):
		case <-ctx.Done():
			return
		}
	}
}

// first is the prompt to be answered now; shown says that the person has seen it.
func (t *Terminal) first() (p event.Prompt, shown, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.queue) == 0 {
		return event.Prompt{}, false, false
	}
	return t.queue[0], t.begged == t.queue[0].ID, true
}

// take gives a line to the prompt that is shown; what was typed before it was shown answers nothing.
func (t *Terminal) take(line string) {
	p, shown, ok := t.first()
	if !ok || !shown {
		if line != "" {
			fmt.Fprintln(t.out, "  nothing was asked")
		}
		t.show(false)
		return
	}
	text, fault := answerOf(p, line)
	if fault == "" {
		err := t.respond(p.ID, text)
		if err == nil || errors.Is(err, ErrNoPrompt) {
			t.Over(p.ID)
			return
		}
		fault = err.Error()
	}
	fmt.Fprintln(t.out, Fold("  "+fault, Width(t.out), 2))
	t.ask(p, false)
}

// show puts the first prompt to the person, once.
func (t *Terminal) show(deaf bool) {
	p, shown, ok := t.first()
	if !ok || shown {
		return
	}
	t.mu.Lock()
	t.begged = p.ID
	t.mu.Unlock()
	t.ask(p, deaf)
}

func (t *Terminal) ask(p event.Prompt, deaf bool) {
	fmt.Fprintf(t.out, "\n%s\n", Fold("  >> "+p.Text, Width(t.out), 5))
	for _, live := range p.Live {
		fmt.Fprintf(t.out, "     live: %s\n", live)
	}
	if deaf {
		fmt.Fprintln(t.out, "     nobody can type here: answer from another terminal at the bench")
		return
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
	case p.Action == File:
		return "type the file's name and Enter; with a file for each channel, their names with commas between"
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
	case File:
		if line == "" {
			return "", "no name was typed"
		}
	}
	return line, ""
}
