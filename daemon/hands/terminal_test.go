package hands

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

// keyboard is a terminal with somebody typing at it.
type keyboard struct {
	*Terminal
	t     *testing.T
	typed *io.PipeWriter

	mu      sync.Mutex
	screen  bytes.Buffer
	answers []string
	refuse  error
}

func (k *keyboard) Write(p []byte) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.screen.Write(p)
}

// shown is what the screen shows since it was asked last.
func (k *keyboard) shown() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	defer k.screen.Reset()
	return k.screen.String()
}

func (k *keyboard) types(line string) {
	k.t.Helper()
	_, err := io.WriteString(k.typed, line+"\n")
	require.NoError(k.t, err)
	synctest.Wait()
}

func (k *keyboard) put(p event.Prompt) {
	k.Put(p)
	synctest.Wait()
}

func (k *keyboard) answered() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.answers
}

func atKeyboard(t *testing.T, test func(*keyboard)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		in, typed := io.Pipe()
		k := &keyboard{t: t, typed: typed}
		k.Terminal = NewTerminal(in, k, func(id, text string) error {
			k.mu.Lock()
			defer k.mu.Unlock()
			if k.refuse != nil {
				return k.refuse
			}
			k.answers = append(k.answers, fmt.Sprintf("%s %q", id, text))
			return nil
		})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- k.Run(ctx) }()
		test(k)
		cancel()
		require.NoError(t, <-ended)
		require.NoError(t, in.Close())
	})
}

func TestOnlyTheWordEnergises(t *testing.T) {
	for _, action := range []string{Energise, Clear} {
		other := map[string]string{Energise: Clear, Clear: Energise}[action]
		for _, wrong := range []string{"", "y", "yes", "ok", other, action + "!", "not " + action, "E" + action[1:], "ENERGISE"} {
			t.Run(fmt.Sprintf("%q does not %s", wrong, action), func(t *testing.T) {
				atKeyboard(t, func(k *keyboard) {
					k.put(event.Prompt{ID: "p1", Action: action, Text: "?"})
					k.types(wrong)
					require.Empty(t, k.answered())
					require.Contains(t, k.shown(), "is not the word")
					k.types("  " + action + " ")
					require.Equal(t, []string{fmt.Sprintf("p1 %q", action)}, k.answered())
				})
			})
		}
	}
}

func TestTerminal(t *testing.T) {
	t.Run("shows the prompt with live volts and how to answer", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.put(event.Prompt{ID: "p1", Action: Energise, Text: "Energise bus, up to 72 V, for at most 60 s?",
				Live: []string{"bus_meter.voltage 0.4 V, 0.1 s old", "prove it before you touch"}})
			require.Equal(t, "\n  >> Energise bus, up to 72 V, for at most 60 s?\n     live: bus_meter.voltage 0.4 V, 0.1 s old\n"+
				"     live: prove it before you touch\n     type  energise  and Enter to allow it: ", k.shown())
		})
	})
	t.Run("what was typed before it was asked answers nothing", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.types("energise")
			require.Equal(t, "  nothing was asked\n", k.shown())
			k.put(event.Prompt{ID: "p1", Action: Energise})
			require.Empty(t, k.answered())
		})
	})
	t.Run("takes one prompt after the other", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.put(event.Prompt{ID: "p1", Action: Place, Text: "Put probe P1 on the bus"})
			k.put(event.Prompt{ID: "p2", Action: Clear, Text: "Clear?"})
			require.NotContains(t, k.shown(), "Clear?")
			k.types("")
			require.Contains(t, k.shown(), "Clear?")
			k.types("clear")
			require.Equal(t, []string{`p1 ""`, `p2 "clear"`}, k.answered())
		})
	})
	t.Run("asks again when the answer is refused", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.refuse = ErrNotAtBench
			k.put(event.Prompt{ID: "p1", Action: Energise, Text: "Energise?"})
			k.types("energise")
			require.Contains(t, k.shown(), ErrNotAtBench.Error()+"\n\n  >> Energise?")
			require.Empty(t, k.answered())
		})
	})
	t.Run("a reading has to be typed", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.put(event.Prompt{ID: "p1", Action: Prove, Text: "Prove it"})
			k.types("")
			require.Contains(t, k.shown(), "no reading was typed")
			k.types("0.3 V")
			require.Equal(t, []string{`p1 "0.3 V"`}, k.answered())
		})
	})
	t.Run("lets go of a prompt that was answered elsewhere or withdrawn", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.put(event.Prompt{ID: "p1", Action: Energise, Text: "Energise?"})
			k.put(event.Prompt{ID: "p2", Action: Place, Text: "Put probe P1 on the bus"})
			k.Over("p1")
			synctest.Wait()
			require.Contains(t, k.shown(), "Put probe P1")
			k.types("energise")
			require.Equal(t, []string{`p2 "energise"`}, k.answered(), "the word reaches only the prompt that is shown")
		})
	})
	t.Run("lets go of a prompt that is no longer open", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			k.refuse = fmt.Errorf("answer to p1: %w", ErrNoPrompt)
			k.put(event.Prompt{ID: "p1", Action: Place, Text: "Put probe P1 on the bus"})
			k.types("")
			require.NotContains(t, k.shown(), "no such prompt")
			k.types("")
			require.Empty(t, k.shown())
		})
	})
	t.Run("a prompt is never waited for, even when nobody reads", func(t *testing.T) {
		k := NewTerminal(bytes.NewReader(nil), io.Discard, func(string, string) error { return errors.New("nobody") })
		for range 1000 {
			k.Put(event.Prompt{ID: "p1"})
		}
	})
	t.Run("without input it still shows what is asked, and answers nothing", func(t *testing.T) {
		atKeyboard(t, func(k *keyboard) {
			require.NoError(t, k.typed.Close())
			synctest.Wait()
			k.put(event.Prompt{ID: "p1", Action: Energise, Text: "Energise?"})
			require.Contains(t, k.shown(), "answer from another terminal at the bench")
			require.Empty(t, k.answered())
		})
	})
	t.Run("says how to answer", func(t *testing.T) {
		require.Equal(t, "Enter when done", howToAnswer(event.Prompt{Action: Place}))
		require.Equal(t, "type yes or no and Enter", howToAnswer(event.Prompt{Action: Confirm, Offers: []string{"yes", "no"}}))
		require.Equal(t, "type the reading with its unit and Enter", howToAnswer(event.Prompt{Action: Read}))
		require.Equal(t, "type  clear  and Enter when hands are clear", howToAnswer(event.Prompt{Action: Clear}))
	})
}
