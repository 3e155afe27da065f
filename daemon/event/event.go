// Package event holds the plain types of what happens at a bench.
//
// The warden, the bench and the scripts emit events; the journal, the metrics, the local API and the terminal consume
// them. Nobody who emits knows who listens, so a trip is journalled without the warden knowing a journal.
package event

import (
	"encoding/json"
	"fmt"
	"time"
)

// Event is one thing that happened.
type Event struct {
	At    time.Time
	Bench string
	Run   string // empty outside a run
	Body  Body
}

// Body is what happened: one of the types of this package that have a kind.
type Body interface{ kind() string }

// Kind names the event's body as it stands in a journal, "reading" for example.
func (e Event) Kind() string { return e.Body.kind() }

// Sink takes events. Emit never blocks.
type Sink interface{ Emit(Event) }

// SinkFunc makes a function a Sink.
type SinkFunc func(Event)

// Emit calls f.
func (f SinkFunc) Emit(e Event) { f(e) }

type wire struct {
	At    time.Time       `json:"at"`
	Bench string          `json:"bench,omitempty"`
	Run   string          `json:"run,omitempty"`
	Kind  string          `json:"kind"`
	Body  json.RawMessage `json:"body"`
}

// MarshalJSON writes {"at", "bench", "run", "kind", "body"}.
func (e Event) MarshalJSON() ([]byte, error) {
	body, err := json.Marshal(e.Body)
	if err != nil {
		return nil, err
	}
	return json.Marshal(wire{e.At, e.Bench, e.Run, e.Kind(), body})
}

// UnmarshalJSON reads what MarshalJSON wrote; a kind it does not know is an error.
func (e *Event) UnmarshalJSON(data []byte) error {
	var w wire
	if err := json.Unmarshal(data, &w); err != nil {
		return err
	}
	empty, ok := kinds[w.Kind]
	if !ok {
		return fmt.Errorf("event of unknown kind %q", w.Kind)
	}
	body, err := empty(w.Body)
	if err != nil {
		return fmt.Errorf("%s event: %w", w.Kind, err)
	}
	*e = Event{At: w.At, Bench: w.Bench, Run: w.Run, Body: body}
	return nil
}

func as[T Body](raw json.RawMessage) (Body, error) {
	var body T
	err := json.Unmarshal(raw, &body)
	return body, err
}

var kinds = map[string]func(json.RawMessage) (Body, error){
	RunStarted{}.kind(): as[RunStarted],
	RunEnded{}.kind():   as[RunEnded],
	Step{}.kind():       as[Step],
	Note{}.kind():       as[Note],
	Reading{}.kind():    as[Reading],
	Limits{}.kind():     as[Limits],
	Trip{}.kind():       as[Trip],
	TripReset{}.kind():  as[TripReset],
	Prompt{}.kind():     as[Prompt],
	Answered{}.kind():   as[Answered],
	Withdrawn{}.kind():  as[Withdrawn],
	Hold{}.kind():       as[Hold],
	Energising{}.kind(): as[Energising],
	Switched{}.kind():   as[Switched],
	Safety{}.kind():     as[Safety],
	Bus{}.kind():        as[Bus],
	Link{}.kind():       as[Link],
	Check{}.kind():      as[Check],
	Chart{}.kind():      as[Chart],
	Trace{}.kind():      as[Trace],
	Finding{}.kind():    as[Finding],
	Override{}.kind():   as[Override],
	Progress{}.kind():   as[Progress],
	Continued{}.kind():  as[Continued],
}
