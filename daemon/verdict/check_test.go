package verdict

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func volts(x float64) *quantity.Value { return &quantity.Value{Number: x, Unit: quantity.Volt} }

func TestSum(t *testing.T) {
	passed := Check{Name: "gate level", Subject: "A.high", Outcome: Pass}
	failed := Check{Name: "gate level", Subject: "B.low", Outcome: Fail}
	undecided := Check{Name: "edges", Subject: "A.high", Outcome: Undecided}
	hidden := Check{Name: "edges", Subject: "B.high", Outcome: NotShown}
	none := Check{Name: "dead time", Subject: "A", Outcome: NotApplicable}
	for name, c := range map[string]struct {
		checks []Check
		needed []string
		want   Outcome
	}{
		"all passed":                       {[]Check{passed}, []string{"gate level"}, Pass},
		"one failed":                       {[]Check{passed, failed, undecided}, nil, Fail},
		"undecided never counts as passed": {[]Check{passed, undecided}, nil, Undecided},
		"not shown and needed":             {[]Check{passed, hidden}, []string{"edges"}, Undecided},
		"not shown and needed, another subject passed": {[]Check{passed, hidden, {Name: "edges", Subject: "A.high", Outcome: Pass}},
			[]string{"edges"}, Undecided},
		"not shown and not needed":       {[]Check{passed, hidden}, []string{"gate level"}, Pass},
		"needed and missing":             {[]Check{passed}, []string{"gate level", "ripple"}, Undecided},
		"needed and not applicable":      {[]Check{passed, none}, []string{"dead time"}, Pass},
		"nothing":                        {nil, nil, Undecided},
		"nothing, something needed":      {nil, []string{"gate level"}, Undecided},
		"only not applicable":            {[]Check{none}, nil, Undecided},
		"only not shown":                 {[]Check{hidden}, nil, Undecided},
		"a check that was never decided": {[]Check{passed, {Name: "ripple"}}, nil, Undecided},
		"an outcome that nobody knows":   {[]Check{passed, {Name: "ripple", Outcome: "good"}}, nil, Undecided},
	} {
		t.Run(name, func(t *testing.T) {
			got, reasons := Sum(c.checks, c.needed)
			require.Equal(t, c.want, got)
			require.Equal(t, c.want == Pass, len(reasons) == 0, "%v", reasons)
		})
	}
}

func TestReasonsAreSentences(t *testing.T) {
	_, reasons := Sum([]Check{
		{Name: "edges", Subject: "A.high", Outcome: NotShown, Reason: "no gate load", Change: "fit the dummy capacitors"},
		{Name: "gate level", Subject: "B.low", Outcome: Fail, Reading: volts(8.2134), Uncertainty: volts(0.4), Low: volts(9), Reason: "weak driver"},
		{Name: "rail", Outcome: Fail, Reading: volts(26), Low: volts(22), High: volts(25)},
	}, []string{"edges", "ripple"})
	require.Equal(t, []string{
		"gate level of B.low: fail, 8.21 V ± 400 mV (at least 9 V): weak driver",
		"rail: fail, 26 V (22 V to 25 V)",
		"edges of A.high: not shown: no gate load; what would change it: fit the dummy capacitors",
		"ripple was not checked, and this stage needs it",
	}, reasons)
}

func TestAChecksJSON(t *testing.T) {
	c := Check{Name: "gate level", Subject: "A.high", Outcome: Pass, Reading: volts(15), Low: volts(13.5), Instrument: "P1"}
	data, err := json.Marshal(c)
	require.NoError(t, err)
	require.JSONEq(t, `{"name":"gate level","subject":"A.high","outcome":"pass","reading":{"number":15,"unit":"V"},
		"low":{"number":13.5,"unit":"V"},"instrument":"P1"}`, string(data))
	var back Check
	require.NoError(t, json.Unmarshal(data, &back))
	require.Equal(t, c, back)

	_, err = json.Marshal(Check{Name: "gate level", Outcome: Undecided, Reading: volts(math.NaN())})
	require.NoError(t, err, "a check without a number is kept too")
}
