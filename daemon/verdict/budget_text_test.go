package verdict

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestACheckTellsWhatItsUncertaintyIsMadeOf(t *testing.T) {
	b := NewBudget(quantity.Volt)
	b.Limits("accuracy of scope", 0.3)
	b.Half("noise", 0.1)
	u, _ := b.Expanded()
	c := Check{Name: "gate level on", Subject: "A.high", Outcome: Pass, Reading: volts(15), Low: volts(13.5), High: volts(16.5),
		Uncertainty: volts(u), Budget: b}
	require.Equal(t, []string{
		"accuracy of scope: ± 300 mV (limits of error), u = 170 mV", // 0.3/√3 = 0.1732
		"noise: ± 100 mV (95 %), u = 50 mV",
		"together u = 180 mV, U = 320 mV (k = 1.75); test uncertainty ratio 4.8", // 3/(2·0.3153)
	}, c.BudgetLines())

	c.Low = nil
	require.Contains(t, c.BudgetLines()[2], "one limit only, the reading lies 4.8 U from it")
	_, ok := c.Ratio()
	require.False(t, ok, "one limit has no width")

	data, err := json.Marshal(c)
	require.NoError(t, err)
	var back Check
	require.NoError(t, json.Unmarshal(data, &back))
	require.Equal(t, c.BudgetLines(), back.BudgetLines(), "the record tells the same")

	require.Equal(t, []string{"no uncertainty is stated for this reading"}, Check{Reading: volts(1)}.BudgetLines())
	require.Empty(t, Check{Name: "bus down"}.BudgetLines())
}

func TestFewReadingsSayHowMany(t *testing.T) {
	b := NewBudget(quantity.Volt)
	b.Estimated("five readings", 0.1, 4)
	c := Check{Reading: volts(5), Uncertainty: volts(0.2776), Low: volts(4), High: volts(6), Budget: b}
	require.Equal(t, []string{"five readings: ± 100 mV (standard, from few readings with 4 degrees of freedom), u = 100 mV",
		"together u = 100 mV, U = 280 mV (k = 2.78); test uncertainty ratio 3.6"}, c.BudgetLines())
}
