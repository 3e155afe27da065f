package event

import (
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// bodies has an empty body of every kind.
func bodies(t testing.TB) map[string]Body {
	all := map[string]Body{}
	for kind := range kinds {
		var e Event
		require.NoError(t, json.Unmarshal(fmt.Appendf(nil, `{"kind":%q,"body":{}}`, kind), &e))
		require.Equal(t, kind, e.Kind())
		all[kind] = e.Body
	}
	return all
}

// Whatever has a kind can be read back: a body that was forgotten in the table would be lost with its journal.
func TestEveryBodyCanBeReadBack(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "bodies.go", nil, 0)
	require.NoError(t, err)
	var declared []string
	for _, d := range file.Decls {
		if f, ok := d.(*ast.FuncDecl); ok && f.Name.Name == "kind" {
			declared = append(declared, f.Recv.List[0].Type.(*ast.Ident).Name)
		}
	}
	require.Greater(t, len(declared), 15)
	var known []string
	for _, b := range bodies(t) {
		known = append(known, reflect.TypeOf(b).Name())
	}
	require.ElementsMatch(t, declared, known)
}

var units = []quantity.Unit{quantity.One, quantity.Percent, quantity.Volt, quantity.Ampere, quantity.Watt, quantity.Joule, quantity.Ohm,
	quantity.Farad, quantity.Henry, quantity.PerSecond, quantity.Second, quantity.DegC, quantity.Rpm}

// fill gives every field of a value something at random that JSON can carry.
func fill(r *rand.Rand, v reflect.Value) {
	number := func() float64 { return (r.Float64() - 0.5) * math.Pow(10, float64(r.IntN(20)-10)) }
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(time.Unix(r.Int64N(4e9), r.Int64N(1e9)).UTC()))
		return
	case quantity.Unit:
		v.Set(reflect.ValueOf(units[r.IntN(len(units))]))
		return
	case json.RawMessage:
		v.Set(reflect.ValueOf(json.RawMessage(fmt.Sprintf(`{"samples":[%d,%d]}`, r.IntN(100), r.IntN(100)))))
		return
	}
	switch v.Kind() {
	case reflect.String:
		runes := []rune("aZ 0µΩ°\"\\\n\t<&>\u2028€\U0001F50C")
		text := make([]rune, 1+r.IntN(12))
		for i := range text {
			text[i] = runes[r.IntN(len(runes))]
		}
		v.SetString(string(text))
	case reflect.Bool:
		v.SetBool(r.IntN(2) == 0)
	case reflect.Int:
		v.SetInt(r.Int64N(1000) - 500)
	case reflect.Float64:
		v.SetFloat(number())
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(r, v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1+r.IntN(3), 3))
		for i := range v.Len() {
			fill(r, v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if !v.Type().Field(i).IsExported() {
				continue
			}
			fill(r, v.Field(i))
		}
	default:
		panic(fmt.Sprintf("a body has a field of type %v: teach this test to fill it", v.Type()))
	}
}

func filled(r *rand.Rand, body Body) Body {
	v := reflect.New(reflect.TypeOf(body)).Elem()
	fill(r, v)
	return v.Interface().(Body)
}

func TestEveryKindSurvivesJSON(t *testing.T) {
	for kind, empty := range bodies(t) {
		t.Run(kind, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 2))
			for range 60 {
				want := Event{At: time.Unix(r.Int64N(4e9), r.Int64N(1e9)).UTC(), Bench: "quay", Run: "run-1", Body: filled(r, empty)}
				line, err := json.Marshal(want)
				require.NoError(t, err)
				require.NotContains(t, string(line), "\n", "one event, one line")
				var got Event
				require.NoError(t, json.Unmarshal(line, &got), string(line))
				require.Equal(t, want, got)
				again, err := json.Marshal(got)
				require.NoError(t, err)
				require.Equal(t, string(line), string(again))
			}
			want := Event{At: time.Unix(0, 0).UTC(), Body: empty}
			line, err := json.Marshal(want)
			require.NoError(t, err)
			var got Event
			require.NoError(t, json.Unmarshal(line, &got), "an empty body can be read too: %s", line)
		})
	}
}

// A reading that is no number is written and read back as no number: the record of a run must not break on it.
func TestWhatIsNoNumberSurvivesJSON(t *testing.T) {
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		value := quantity.Volts(x).Value()
		for _, body := range []Body{
			Reading{Name: "bus.voltage", Value: value}, Trip{Reading: &value, Limit: &Limit{Value: value}},
		} {
			line, err := json.Marshal(Event{Body: body})
			require.NoError(t, err, "%T of %v", body, x)
			var got Event
			require.NoError(t, json.Unmarshal(line, &got), "%s", line)
		}
	}
}

func TestForeignEventsAreRefused(t *testing.T) {
	for line, want := range map[string]string{
		`{"at":"2026-11-25T10:00:00Z","kind":"toast","body":{}}`:                       `event of unknown kind "toast"`,
		`{"at":"2026-11-25T10:00:00Z","body":{}}`:                                      `event of unknown kind ""`,
		`{"at":"2026-11-25T10:00:00Z","kind":"note"}`:                                  "note event",
		`{"at":"2026-11-25T10:00:00Z","kind":"note","body":[]}`:                        "note event",
		`{"at":"yesterday","kind":"note","body":{}}`:                                   "yesterday",
		`{"at":"2026-11-25T10:00:00Z","kind":"reading","body":{"value":{"number":1}}}`: "without its unit",
		`42`: "cannot unmarshal",
	} {
		var e Event
		require.ErrorContains(t, json.Unmarshal([]byte(line), &e), want, line)
		require.Nil(t, e.Body)
	}
}

func TestCausesAreDistinct(t *testing.T) {
	causes := Causes()
	slices.Sort(causes)
	require.Equal(t, causes, slices.Compact(slices.Clone(causes)))
	require.NotContains(t, causes, "")
}
