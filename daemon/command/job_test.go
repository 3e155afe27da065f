package command

import (
	"bytes"
	"os"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

var jobName = regexp.MustCompile(`J\d{6}-[a-z0-9]{4}`)

// A job from intake to a copy on another machine, all on the command line, without a daemon.
func TestAJobOnTheCommandLine(t *testing.T) {
	t.Parallel()
	p, there := newPlace(t), newPlace(t)
	good := func(of *place, args ...string) string {
		r := of.run(t, args...)
		require.Zero(t, r.ended(), "%v: %s", args, r.output())
		return r.output()
	}
	id := jobName.FindString(good(p, "job", "new", "--unit", "HR-1041", "--family", "heron", "--order", "PO-7", "--symptom", "blown bridge", "--by", "Ann"))
	require.NotEmpty(t, id)
	require.Contains(t, good(p, "job", "list", "blown"), id)
	require.Contains(t, good(p, "job", "stand-in", id, "--name", "jumper", "--in", "2", "--where", "phase A to bus negative"), "+2 jumper")
	require.Contains(t, good(p, "job", "tag", id), "2  jumper")
	require.Contains(t, good(p, "job", "note", id[len(id)-4:], "--text", "varistor burnt", "--by", "Bo"), "varistor burnt")
	oneLine(t, p.run(t, "job", "release", id), ExitUsage, "2 of stand-in jumper still in the drive")
	oneLine(t, p.run(t, "job", "note", id, "--photo", p.write(t, "x.png", "no picture")), ExitUsage, "x.png is no JPEG or PNG picture")
	oneLine(t, p.run(t, "job", "show", "J000000-none"), 5, "not in the record")
	oneLine(t, p.run(t, "job", "fitted", id, "--device", "A.high"), ExitUsage, "write POSITION=OHMS")
	oneLine(t, p.run(t, "job", "new"), ExitUsage, "--unit is missing")
	require.Contains(t, good(p, "job", "show", id), "gate_sweep has not been run")
	require.Contains(t, good(p, "history", "unit", "HR-1041"), id)
	require.Contains(t, good(p, "history", "family", "heron"), "0 jobs closed")
	oneLine(t, p.run(t, "history", "check", "dead time", "--family", "heron"), ExitUsage, `no readings of "dead time"`)
	require.Contains(t, good(p, "records", "verify"), "1 jobs, 3 entries, 0 runs")
	good(p, "--shop", "Quayside Drive Repair", "report", id, "--html", p.path("r.html"), "--pdf", p.path("r.pdf"), "--paper", "letter")
	page, err := os.ReadFile(p.path("r.html"))
	require.NoError(t, err)
	require.Contains(t, string(page), "varistor burnt")
	require.Contains(t, string(page), "Quayside Drive Repair")
	sheets, err := os.ReadFile(p.path("r.pdf"))
	require.NoError(t, err)
	require.True(t, bytes.HasPrefix(sheets, []byte("%PDF-")))
	oneLine(t, p.run(t, "report", id, "--paper", "a3"), ExitUsage, "it is a4 or letter")
	oneLine(t, p.run(t, "report", id, "--pdf", p.path("no folder/r.pdf")), 5, "the report was not written")
	good(p, "records", "backup", p.path("copy.db"))
	oneLine(t, p.run(t, "records", "backup", p.path("copy.db")), 5, "is there already")

	export := p.path("export")
	good(p, "records", "export", id, export)
	require.Contains(t, good(there, "records", "import", export), "3 entries and 0 runs were new")
	require.Contains(t, good(there, "records", "import", export), "0 entries and 0 runs were new")
	require.Contains(t, good(there, "job", "show", id), "varistor burnt")
	text, err := os.ReadFile(export + "/job.json")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(export+"/job.json", append(text, ' '), 0o600))
	oneLine(t, newPlace(t).run(t, "records", "import", export), 5, "was changed or damaged after it was exported")
	oneLine(t, there.run(t, "records", "import", there.path("nothing")), 5, "name the folder that records export made")
}

// A script of a later stage is not run without a job, nor for one whose stages before it are open; nothing is energised.
func TestALaterStageNeedsAJobThatIsReadyForIt(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	benchFile := p.simulated(t, "heron")
	script := p.write(t, "later.star", `title = "Later"
stage = "fitted"
roles = []
checks = []

def energises(drive):
    return []

def run(drive):
    pass
`)
	r := p.run(t, "run", script, "--here", "--bench", benchFile, "--family", "heron", "--unit", "HR-1041")
	require.Equal(t, ExitConfig, r.ended(), r.output())
	require.Contains(t, r.complaint(), "needs a job with the stages before it")
	id := jobName.FindString(p.run(t, "job", "new", "--unit", "HR-1041", "--family", "heron").output())
	r = p.run(t, "run", script, "--here", "--bench", benchFile, "--job", id)
	require.Equal(t, ExitConfig, r.ended(), r.output())
	require.Contains(t, r.complaint(), "no release to fit")
	r = p.run(t, "run", "cold_checks", "--here", "--bench", benchFile, "--job", id, "--unit", "other")
	require.Equal(t, ExitConfig, r.ended(), r.output())
	require.Contains(t, r.complaint(), "the job knows them")
}
