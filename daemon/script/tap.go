package script

import (
	"context"
	"fmt"

	"go.starlark.net/starlark"
)

// tapping is a prompt to tap a place, while the script watches.
type tapping struct {
	over   chan struct{} // closed when hands are clear, or when it could not be done
	answer string
	err    error
}

// tap(place, text, gates, offers) has somebody tap a place of the board, which stays on (at or below 60 V d.c. from an isolated source
// only), and returns at once, so that the script can watch meanwhile. The result's done() says whether they have finished and hands
// are clear; its answer() waits for that. With offers they are asked what they saw change among the gates named.
func (e *engine) tap(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var place, text string
	gateList, offerList := starlark.NewList(nil), starlark.NewList(nil)
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "place", &place, "text", &text, "gates?", &gateList, "offers?", &offerList); err != nil {
		return nil, err
	}
	gates, err := listed(b, gateList)
	if err != nil {
		return nil, err
	}
	offers, err := listed(b, offerList)
	if err != nil {
		return nil, err
	}
	if e.tapping != nil {
		select {
		case <-e.tapping.over:
		default:
			return nil, fmt.Errorf("%s: the last place is still being tapped", b.Name())
		}
	}
	t := &tapping{over: make(chan struct{})}
	e.tapping = t
	e.background.Go(func() {
		defer close(t.over)
		t.answer, t.err = e.rig.Tap(e.ctx, place, text, gates, offers)
	})
	return module("tapping", map[string]builtin{
		"done": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			select {
			case <-t.over:
				return starlark.True, t.err
			default:
				return starlark.False, nil
			}
		},
		"answer": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			err := e.ask(func(context.Context) error {
				<-t.over // ends with the run's context, as the prompt does
				return t.err
			})
			return starlark.String(t.answer), err
		},
	}), nil
}

// listed reads a list of texts.
func listed(b *starlark.Builtin, list *starlark.List) (all []string, err error) {
	for v := range list.Elements() {
		s, ok := starlark.AsString(v)
		if !ok {
			return nil, fmt.Errorf("%s: %s is no text", b.Name(), v)
		}
		all = append(all, s)
	}
	return all, nil
}
