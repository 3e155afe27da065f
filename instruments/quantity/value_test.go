package quantity

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestUnitsFollowTheArithmetic(t *testing.T) {
	v := func(text string) Value {
		read, err := Parse(text)
		require.NoError(t, err)
		return read
	}
	for _, c := range []struct {
		got  Value
		want string
	}{
		{v("72 V").Div(v("2 A")), "36 Ω"},
		{v("72 V").Mul(v("2 A")), "144 W"},
		{v("144 W").Mul(v("10 s")), "1.44 kJ"},
		{v("144 W").Div(v("72 V")), "2 A"},
		{v("2 A").Mul(v("3 s")), "6 C"},
		{v("100 mC").Div(v("100 V")), "1 mF"},
		{v("1 kohm").Mul(v("470 uF")), "470 ms"}, // τ = RC
		{v("1 V").Mul(v("1 s")).Div(v("1 A")), "1 H"},
		{Value{1, One}.Div(v("20 us")), "50 kHz"},
		{v("18 kHz").Mul(v("1 s")), "18000"},
		{v("72 V").Mul(v("1 s")), "72 V·s"},
		{v("72 V").Mul(v("2 V")), "144 V^2"},
		{v("72 V").Div(v("1 s")), "72 V·s^-1"},
		{v("72 V").Mul(v("3 %")), "2.16 V"},
		{v("72 V").Div(v("36 V")), "2"},
		{v("3 %").Scale(2), "6 %"},
		{v("3 V").Neg(), "-3 V"},
	} {
		require.Equal(t, c.want, c.got.String())
	}
}

func TestOnlyLikeIsAddedToLike(t *testing.T) {
	_, err := Value{1, Volt}.Add(Value{1, Ampere})
	require.EqualError(t, err, "cannot add amperes to volts")
	_, err = Value{1, Volt}.Sub(Value{1, One})
	require.EqualError(t, err, "cannot subtract a bare number from volts")
	_, err = Value{1, Volt}.Cmp(Value{1, Ampere})
	require.EqualError(t, err, "cannot compare amperes with volts")

	difference, err := Value{1, Volt}.Sub(Value{0.25, Volt})
	require.NoError(t, err)
	require.Equal(t, Value{0.75, Volt}, difference)
	sum, err := Value{1, Volt}.Add(Value{0.5, Volt})
	require.NoError(t, err)
	require.Equal(t, Value{1.5, Volt}, sum)
	share, err := Value{0.03, Percent}.Add(Value{0.5, One})
	require.NoError(t, err)
	require.Equal(t, Value{0.53, Percent}, share)
	order, err := Value{0.03, Percent}.Cmp(Value{0.5, One})
	require.NoError(t, err)
	require.Equal(t, -1, order)
}

func TestNaNIsNeitherBelowNorAboveALimit(t *testing.T) {
	_, err := Value{math.NaN(), Volt}.Cmp(Value{72, Volt})
	require.Error(t, err)
	_, err = Value{72, Volt}.Cmp(Value{math.NaN(), Volt})
	require.Error(t, err)
}

func TestJSONKeepsNumberAndUnit(t *testing.T) {
	data, err := json.Marshal(Value{72, Volt})
	require.NoError(t, err)
	require.JSONEq(t, `{"number":72,"unit":"V"}`, string(data))

	for _, v := range []Value{{0.1, Ohm}, {1e-300, One}, {0.03, Percent}, {3, Unit{volt: 2, second: -1}}, {1, DegC}, {-5, Rpm}} {
		data, err := json.Marshal(v)
		require.NoError(t, err)
		var back Value
		require.NoError(t, json.Unmarshal(data, &back), string(data))
		require.Equal(t, v, back)
	}
}

func TestJSONOfWhatIsNoNumberIsNull(t *testing.T) {
	for _, number := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		data, err := json.Marshal(&Value{number, Volt})
		require.NoError(t, err)
		require.JSONEq(t, `{"number":null,"unit":"V"}`, string(data))
		var back Value
		require.NoError(t, json.Unmarshal(data, &back))
		require.True(t, math.IsNaN(back.Number), "null must not come back as 0 V")
	}
	for _, bad := range []string{`{"number":72}`, `{"number":72,"unit":"furlong"}`, `{"number":72,"unit":"V^0"}`,
		`{"number":72,"unit":"V·V"}`, `{"number":72,"unit":"V^1000"}`, `{"number":"72","unit":"V"}`} {
		require.Error(t, json.Unmarshal([]byte(bad), new(Value)), bad)
	}
}

func TestTypedQuantitiesCarryTheirUnit(t *testing.T) {
	type figures struct {
		V    Volts
		A    Amperes
		W    Watts
		J    Joules
		C    Coulombs
		R    Ohms
		Cap  Farads
		L    Henrys
		F    Hertz
		T    Seconds
		Temp Celsius
		N    RPM
		D    Ratio
	}
	all := figures{72, 0.35, 6, 51, 90e-9, 5.11, 470e-6, 1e-3, 18e3, 1.2e-6, 45, 1200, 0.03}
	data, err := json.Marshal(all)
	require.NoError(t, err)
	require.JSONEq(t, `{"V":"72 V","A":"350 mA","W":"6 W","J":"51 J","C":"90 nC","R":"5.11 Ω","Cap":"470 µF","L":"1 mH","F":"18 kHz",
		"T":"1.2 µs","Temp":"45 degC","N":"1200 rpm","D":"3 %"}`, string(data))
	var back figures
	require.NoError(t, json.Unmarshal(data, &back))
	require.Equal(t, all, back)

	require.ErrorContains(t, new(Volts).UnmarshalText([]byte("72")), "has no unit")
	require.ErrorContains(t, new(Volts).UnmarshalText([]byte("350 mA")), "wants volts")
	kept := Volts(5)
	require.Error(t, kept.UnmarshalText([]byte("x")))
	require.Equal(t, Volts(5), kept, "a refused text changes nothing")
}

func TestEveryTypePrintsAndLogsAlike(t *testing.T) {
	for want, q := range map[string]interface {
		fmt.Stringer
		slog.LogValuer
		Value() Value
	}{
		"72 V": Volts(72), "350 mA": Amperes(0.35), "6 W": Watts(6), "51 J": Joules(51), "90 nC": Coulombs(90e-9), "5.11 Ω": Ohms(5.11),
		"470 µF": Farads(470e-6), "1 mH": Henrys(1e-3), "18 kHz": Hertz(18e3), "1.2 µs": Seconds(1.2e-6), "45 degC": Celsius(45),
		"1200 rpm": RPM(1200), "3 %": Ratio(0.03),
	} {
		require.Equal(t, want, q.String())
		require.Equal(t, want, q.LogValue().String())
		require.Equal(t, want, q.Value().String())
	}
}

func TestAValueReadsItself(t *testing.T) {
	v := Value{5, Ohm}
	require.ErrorContains(t, v.UnmarshalText([]byte("72")), "has no unit")
	require.Equal(t, Value{5, Ohm}, v, "a refused text changes nothing")
	require.NoError(t, v.UnmarshalText([]byte("350 mA")))
	require.Equal(t, Value{0.35, Ampere}, v)
}

func TestTextKeepsEveryDigit(t *testing.T) {
	data, err := Volts(72.0345678901234).MarshalText()
	require.NoError(t, err)
	require.Equal(t, "72.0345678901234 V", string(data))
	require.Equal(t, "72.035 V", Volts(72.0345678901234).String())
}

func TestLogsShowTheUnit(t *testing.T) {
	var out bytes.Buffer
	slog.New(slog.NewJSONHandler(&out, nil)).Info("bus", "reading", Volts(72), "limit", Value{0.35, Ampere})
	require.Contains(t, out.String(), `"reading":"72 V","limit":"350 mA"`)
}

func TestSecondsAndDurations(t *testing.T) {
	require.Equal(t, 1200*time.Nanosecond, Seconds(1.2e-6).Duration())
	require.Equal(t, Seconds(0.25), SecondsOf(250*time.Millisecond))
	require.Equal(t, time.Duration(math.MaxInt64), Seconds(1e300).Duration())
	require.Equal(t, time.Duration(math.MinInt64), Seconds(math.Inf(-1)).Duration())
	require.Zero(t, Seconds(math.NaN()).Duration())
}

func TestUnitsByName(t *testing.T) {
	for name, want := range map[string]Unit{"V": Volt, "ohm": Ohm, "Ω": Ohm, "%": Percent, "": One, "degC": DegC, "Hz": PerSecond} {
		u, ok := UnitOf(name)
		require.True(t, ok, name)
		require.Equal(t, want, u)
	}
	_, ok := UnitOf("mV")
	require.False(t, ok, "a prefix is no part of a unit")
}

// A unit that is read prints as one that reads the same.
func FuzzUnit(f *testing.F) {
	for _, seed := range []string{"V", "V·s", "V^2", "V·s^-1", "rpm^3·V", "%", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var u, again Unit
		if u.UnmarshalText([]byte(text)) != nil {
			require.Zero(t, u)
			return
		}
		printed, err := u.MarshalText()
		require.NoError(t, err)
		require.NoError(t, again.UnmarshalText(printed), "%s", printed)
		require.Equal(t, u, again)
	})
}
