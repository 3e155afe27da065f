package script

import (
	"context"
	"errors"
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
)

func TestTappingGoesOnBesideTheScript(t *testing.T) {
	rig := &fakeRig{}
	_, err := try(t, rig, `
tapping = person.tap("driver:A.high", "tap it", gates = ["A.high"], offers = ["steady", "A.high"])
note(tapping.answer())
note("%s" % tapping.done())
person.tap("hall connector", "tap it").answer()
`)
	require.NoError(t, err)
	require.Equal(t, []event.Body{event.Note{Text: "steady|A.high"}, event.Note{Text: "True"}}, rig.events)
	require.Equal(t, []string{"tap driver:A.high", "tap hall connector"}, rig.did)

	_, err = try(t, &fakeRig{}, `person.tap("driver:A.high", "tap it", gates = [1])`)
	require.ErrorContains(t, err, "1 is no text")
}

// What a prompt that is still open came to: withdrawn when the script is over, whatever ended it, and never a second one beside it.
func TestAPromptToTapEndsWithItsScript(t *testing.T) {
	_, err := try(t, &fakeRig{block: true}, `person.tap("driver:A.high", "tap it")`)
	require.NoError(t, err)
	_, err = try(t, &fakeRig{block: true}, `
person.tap("driver:A.high", "tap it")
person.tap("driver:A.low", "tap it")
`)
	require.ErrorContains(t, err, "the last place is still being tapped")

	ctx, stop := context.WithCancelCause(t.Context())
	stop(errors.New("the bench tripped"))
	s, err := Parse("trial.star", []byte(head+"def run(drive):\n    person.tap('x', 'tap it').answer()\n"))
	require.NoError(t, err)
	_, err = Run(ctx, s, heron(t), &fakeRig{block: true, highest: 100}, &freeSlot{})
	require.ErrorContains(t, err, "the bench tripped")
}

// Each Hall line, open or shorted, is told from the others by what the gates do when the connector is tapped, on both spacings.
func TestAHallLineIsNamedByWhatAllGatesDo(t *testing.T) {
	shaken, err := os.ReadFile("../../scripts/with/shaken.star")
	require.NoError(t, err)
	for _, family := range []string{"heron", "plover"} {
		f, err := drive.Load("../../configs/families/" + family + ".yaml")
		require.NoError(t, err)
		for line, bit := range map[string]int{"Hall 1": 4, "Hall 2": 2, "Hall 3": 1} {
			for word, seen := range map[string]string{"open": fmt.Sprintf("code | %d", bit), "shorted": fmt.Sprintf("code & %d", 7-bit)} {
				path := folder(t, `load("with/shaken.star", "hall_suspects")`+head+`
def share_of(pattern):
    return {"off": 0.0, "on": 1.0}.get(pattern, 0.5)

def run(drive):
    seen = []
    for leg in drive.bridge.legs:
        first = [c for c in drive.walk("forward") if drive.expected(c, "forward")[leg + ".high"] != "off"][0]
        for code in (first, 7 - first):
            sees = `+seen+`
            patterns = {} if sees in drive.invalid_codes else drive.expected(sees, "forward")
            seen.append(struct(posture = struct(code = code, direction = "forward"),
                               gates = {leg + side: share_of(patterns.get(leg + side, "off")) for side in (".high", ".low")}))
    note(", ".join(hall_suspects(drive, seen)))
`, map[string]string{"with/shaken.star": string(shaken)})
				s, err := Read(path)
				require.NoError(t, err)
				rig := &fakeRig{highest: 100}
				_, err = Run(t.Context(), s, f, rig, &freeSlot{})
				require.NoError(t, err)
				require.Equal(t, []event.Body{event.Note{Text: line + " as if " + word}}, rig.events, "%s %s %s", family, line, word)
			}
		}
	}
}
