package event

import (
	"context"
	"encoding/json"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// filled sets every exported field of a body to something that is not its zero value.
func filled(t *testing.T, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.String:
		v.SetString("word")
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int:
		v.SetInt(3)
	case reflect.Float64:
		v.SetFloat(1.25)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		filled(t, v.Elem())
	case reflect.Slice:
		if v.Type() == reflect.TypeFor[json.RawMessage]() {
			v.SetBytes([]byte(`{"a":1}`))
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			filled(t, v.Index(i))
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
	case reflect.Struct:
		switch v.Type() {
		case reflect.TypeFor[time.Time]():
			v.Set(reflect.ValueOf(time.Date(2026, 3, 4, 5, 6, 7, 8000, time.UTC)))
		case reflect.TypeFor[quantity.Value]():
			v.Set(reflect.ValueOf(quantity.Value{Number: 1.25, Unit: quantity.Volt}))
		default:
			for i := range v.NumField() {
				filled(t, v.Field(i))
			}
		}
	default:
		t.Fatalf("a body has a field of kind %s, which this test does not fill", v.Kind())
	}
}

func TestEveryKindComesBackFromItsJSON(t *testing.T) {
	for kind, empty := range kinds {
		body, err := empty([]byte("{}"))
		require.NoError(t, err, kind)
		v := reflect.New(reflect.TypeOf(body)).Elem()
		filled(t, v)
		e := Event{At: time.Date(2026, 11, 25, 12, 0, 0, 123, time.UTC), Bench: "left", Run: "r1", Body: v.Interface().(Body)}
		require.Equal(t, kind, e.Kind())
		data, err := json.Marshal(e)
		require.NoError(t, err, kind)
		var back Event
		require.NoError(t, json.Unmarshal(data, &back), kind)
		require.Equal(t, e, back, kind)
	}
}

func TestAForeignKindIsRefused(t *testing.T) {
	var e Event
	require.EqualError(t, json.Unmarshal([]byte(`{"kind":"weather","body":{}}`), &e), `event of unknown kind "weather"`)
	require.ErrorContains(t, json.Unmarshal([]byte(`{"kind":"step","body":7}`), &e), "step event: ")
}

func step(text string) Event { return Event{Body: Step{Text: text}} }

func TestALosslessSubscriptionKeepsEverythingWhileNobodyTakes(t *testing.T) {
	hub := NewHub()
	kept, drawn := hub.Subscribe(Lossless), hub.Subscribe(Lossy)
	const n = 3 * lossyDepth
	for range n {
		hub.Emit(step("x"))
	}
	kept.Close()
	count := 0
	for {
		if _, err := kept.Next(t.Context()); err != nil {
			require.ErrorIs(t, err, ErrEnded)
			break
		}
		count++
	}
	require.Equal(t, n, count)
	require.Equal(t, n-lossyDepth, drawn.Lost())
}

func TestEventsComeInTheirOrderAndOnlyFromTheSubscriptionOn(t *testing.T) {
	hub := NewHub()
	hub.Emit(step("before"))
	s := hub.Subscribe(Lossless)
	hub.Emit(step("one"))
	hub.Emit(step("two"))
	for _, want := range []string{"one", "two"} {
		e, err := s.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, Step{Text: want}, e.Body)
	}
	s.Close()
	hub.Emit(step("after"))
	_, err := s.Next(t.Context())
	require.ErrorIs(t, err, ErrEnded)
}

func TestNextWaitsAndEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := NewHub().Subscribe(Lossless)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		began := time.Now()
		_, err := s.Next(ctx)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.Equal(t, time.Minute, time.Since(began))
	})
}

func TestAWaitingNextIsWokenByAnEvent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub := NewHub()
		s := hub.Subscribe(Lossy)
		time.AfterFunc(time.Second, func() { hub.Emit(step("now")) })
		e, err := s.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, Step{Text: "now"}, e.Body)
	})
}
