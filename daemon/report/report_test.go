package report_test

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/report"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func ptr(v quantity.Value) *quantity.Value { return &v }

var began = time.Date(2026, 11, 25, 10, 0, 0, 0, time.Local)

// events of one run that has everything that a run can have.
func events(simulated bool) []event.Event {
	bodies := []event.Body{
		event.RunStarted{Title: "DC bus", Script: "scripts/bus_ramp.star", Stage: "board", Family: "wren", Unit: "W-1", Simulated: simulated, Operator: "Ann",
			ScriptHash: "0123456789abcdef", Identities: []event.Identity{{Role: "bus", Identity: "Quayside,supply,1,1.0", CalibrationDue: "2026-10-31"}}},
		event.Limits{Limits: []event.Limit{
			{Quantity: "bus.voltage", Kind: "high", Value: quantity.Volts(35).Value(), N: 1, M: 1, Origin: "family wren, stage board"},
			{Quantity: "interlock", Kind: "interlock", Value: quantity.Value{Unit: quantity.One}, N: 1, M: 1, Origin: "bench quay"}}},
		event.Note{Text: "bus: its own protection, set and read back: over-voltage at 40 V; the bench file says: a fuse of 1 A"},
	}
	for i := range 20 {
		bodies = append(bodies, event.Reading{Name: "bus_meter.voltage", Value: quantity.Volts(float64(i)).Value(), Arrived: began.Add(time.Duration(i) * time.Second)})
	}
	bodies = append(bodies,
		event.Check{Name: "bus steady", Subject: "bus", Outcome: verdict.Pass, Reading: ptr(quantity.Volts(0.0123456).Value()), Uncertainty: ptr(quantity.Volts(0.0011).Value())},
		event.Check{Name: "quiescent current", Subject: "bus", Outcome: verdict.Fail, Reading: ptr(quantity.Amperes(0.042).Value()),
			High: ptr(quantity.Amperes(0.021).Value()), Reason: "too much <current>", Part: "bleeder", Instrument: "bus"},
		event.Check{Name: "capacitance", Subject: "bus", Outcome: verdict.Undecided, Reason: "too few readings", Change: "take more readings"},
		event.Check{Name: "series resistance", Subject: "bus", Outcome: verdict.NotShown, Reason: "too little current"},
		event.Trip{Cause: "over-current", Text: "bus.current 90 mA is above 80 mA", Do: "look for a short"},
		event.Override{Rule: "probing above 60 V", By: "Bo", Reason: "no other way"},
		event.Bus{State: event.ProvenByHand, Why: "Ann read 1.2 V"},
		event.Safety{Cause: "trip", Outputs: []event.Output{{Name: "control", Safe: "off", Text: "it does not answer"}}},
		event.Finding{Subject: "bus", Text: "something loads the bus", Part: "bleeder", Do: "measure it cold"},
		event.Chart{Columns: []string{"101 forward"}, Rows: []event.ChartRow{{Channel: "A.high",
			Cells: []event.ChartCell{{Expected: "chop", Found: "off", Outcome: verdict.Fail, Reason: "no edges"}}}},
			Legs: []event.ChartLeg{{Leg: "A", Outcome: verdict.Pass, DeadHL: 1.5e-6}}},
		event.RunEnded{Outcome: "tripped", Reasons: []string{"tripped, over-current"}},
	)
	var all []event.Event
	for i, b := range bodies {
		all = append(all, event.Event{At: began.Add(time.Duration(i) * time.Second), Bench: "quay", Run: "run-1", Body: b})
	}
	return all
}

// shelf has one run and one photo.
type shelf struct{ simulated bool }

func (s shelf) Run(_ context.Context, name string) (record.Head, []event.Event, error) {
	if name == "rehearsal" {
		return record.Head{Name: name}, events(true), nil
	}
	return record.Head{Name: name}, events(s.simulated), nil
}

func (shelf) Photo(_ context.Context, sha string) (record.Photo, error) {
	var b bytes.Buffer
	err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 40, 20)))
	return record.Photo{SHA256: sha, Type: "image/png", Data: b.Bytes()}, err
}

func entry(n int, by, kind string, body any) record.Entry {
	text, err := json.Marshal(body)
	if err != nil {
		panic(err)
	}
	return record.Entry{N: n, At: began, By: by, Kind: kind, Body: text}
}

func state() job.State {
	s := job.State{
		Job:    record.Job{ID: "J261125-abcd", Family: "wren", Unit: "W-1", Order: "PO-9", Symptom: "dead", Cause: "driver of A.high", Opened: began, Outcome: "repaired", Closed: began.Add(time.Hour)},
		Intake: job.Intake{Idle: "a year"},
		Runs:   []record.Head{{Name: "run-1", Script: "bus_ramp"}},
		Stages: []job.Stage{{Name: "board", Open: []string{"the latest bus_ramp came out fail"}}},
	}
	s.Entries = []record.Entry{
		entry(1, "Ann", job.Opened, job.Intake{Unit: "W-1", Symptom: "dead"}),
		entry(2, "Ann", job.StandIn, job.Move{Name: "gate_capacitors", Count: 6, Where: "at the device positions"}),
		entry(3, "Ann", job.StandIn, job.Move{Name: "gate_capacitors", Count: -6}),
		entry(4, "Ann", job.Noted, job.Remark{Text: "see picture", Photos: []job.Picture{{Name: "bridge.png", SHA256: strings.Repeat("ab", 32)}}}),
		entry(5, "Bo", job.Released, job.Release{Runs: []string{"run-0"}, Missing: []string{"twitch has not been run"}, Override: "known board"}),
		entry(6, "Ann", job.Fitted, job.Fitting{Devices: []job.Device{{Position: "A.high", Part: "transistor", GateSource: 10e3}}, Insulation: 2e8, Torque: "1.2 N m"}),
	}
	return s
}

var options = report.Options{Shop: "Quayside Drive Repair", Printed: began.Add(2 * time.Hour), Version: "1.0"}

func document(t *testing.T, s job.State, simulated, customer bool) *report.Document {
	t.Helper()
	o := options
	o.Customer = customer
	d, err := report.OfJob(t.Context(), s, shelf{simulated}, o)
	require.NoError(t, err)
	return d
}

func html(t *testing.T, d *report.Document) string {
	t.Helper()
	var page bytes.Buffer
	require.NoError(t, d.HTML(&page))
	return page.String()
}

func pdf(t *testing.T, d *report.Document, paper report.Paper) []byte {
	t.Helper()
	var file bytes.Buffer
	require.NoError(t, d.PDF(&file, paper, options.Printed))
	return file.Bytes()
}

// pages are a PDF's pages as text, read by a program that is not ours.
func pages(t *testing.T, file []byte) []string {
	t.Helper()
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is missing; it is in the Debian package poppler-utils")
	}
	path := filepath.Join(t.TempDir(), "report.pdf")
	require.NoError(t, os.WriteFile(path, file, 0o600))
	out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	require.NoError(t, err)
	return strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
}

// What the full record has to show, in both forms.
var shown = []string{
	"Record of a repair", "Quayside Drive Repair", "PO-9", "W-1", "dead", "a year", "driver of A.high", "Repaired",
	"12.3 mV ± 1.1 mV", "42 mA", "at most 21 mA", "too much <current>", "likely bleeder", "too few readings", "take more readings", "too little current",
	"Trip, over-current", "bus.current 90 mA is above 80 mA", "look for a short",
	"Override by Bo", "probing above 60 V", "no other way", "known board", "twitch has not been run",
	"proven down by hand", "Ann read 1.2 V", "NOT SAFE after: trip", "control was not confirmed off", "something loads the bus", "measure it cold",
	"gate capacitors", "at the device positions", "see picture", "bridge.png", "A.high", "10 kΩ", "200 MΩ", "1.2 N m", "A.high at 101 forward, fail: no edges",
	"Quayside,supply,1,1.0", "2026-10-31", "was past its date on 2026-11-25", "a fuse of 1 A", "35 V", "family wren, stage board", "0123456789ab", "1.5 µs",
	"prove the DC bus dead", "Local codes and", "no safety integrity level", "technician: name, date, signature",
}

func plain(page string) string {
	return strings.NewReplacer("&lt;", "<", "&gt;", ">", "&#39;", "'", "&#43;", "+").Replace(page)
}

func TestTheFullRecordShowsEverythingInBothForms(t *testing.T) {
	d := document(t, state(), false, false)
	page := html(t, d)
	for _, want := range shown {
		require.Contains(t, plain(page), want)
	}
	require.Contains(t, page, "too much &lt;current&gt;", "what a run says is text, never markup")
	require.NotContains(t, page, "SIMULATED")

	words := func(s string) string { return strings.Join(strings.Fields(s), "") } // a table breaks lines where it must
	text := words(strings.Join(pages(t, pdf(t, d, report.A4)), " "))
	for _, want := range []string{"PO-9", "12.3 mV ± 1.1 mV", "Trip, over-current", "probing above 60 V", "known board", "Ann read 1.2 V", "NOT SAFE after: trip",
		"something loads the bus", "bridge.png", "10 kΩ", "200 MΩ", "was past its date", "a fuse of 1 A", "prove the DC bus dead", "1.5 µs"} {
		require.Contains(t, text, words(want))
	}
}

func TestEachCheckStandsInTheRecordWithItsOutcome(t *testing.T) {
	page := html(t, document(t, state(), false, false))
	for _, c := range []struct{ name, outcome string }{{"bus steady", "pass"}, {"quiescent current", "fail"}, {"capacitance", "undecided"}, {"series resistance", "not shown"}} {
		_, after, found := strings.Cut(page, "<td>"+c.name+"</td>")
		require.True(t, found, c.name)
		row, _, _ := strings.Cut(after, "</tr>")
		require.Contains(t, row, "</svg> "+c.outcome+"</td>", c.name)
		if c.outcome != "pass" {
			require.NotContains(t, row, "> pass<", "what is not passed never looks so")
		}
	}
	text := strings.Join(pages(t, pdf(t, document(t, state(), false, false), report.A4)), "\n")
	for _, c := range []struct{ name, outcome string }{{"bus steady", "pass"}, {"quiescent current", "fail"}, {"capacitance", "undecided"}, {"series resistance", "not shown"}} {
		line := regexp.MustCompile(`(?m)^ *` + c.name + ` +bus +(\S+( shown)?)`).FindStringSubmatch(text)
		require.NotNil(t, line, c.name)
		require.Equal(t, c.outcome, line[1], c.name)
	}
}

func TestSimulatedIsSaidOnEveryPageAboveEveryFigure(t *testing.T) {
	d := document(t, state(), true, false)
	page := html(t, d)
	require.Less(t, strings.Index(page, "SIMULATED: figures"), strings.Index(page, "42 mA"))
	all := pages(t, pdf(t, d, report.Letter))
	require.Greater(t, len(all), 1)
	for i, p := range all {
		require.Contains(t, p, "SIMULATED: figures of simulated runs were not measured on a drive", "page %d", i+1)
		require.Contains(t, p, fmt.Sprintf("page %d of %d", i+1, len(all)))
		require.Contains(t, p, "job J261125-abcd, unit W-1")
	}
}

func TestACustomersSheetIsOneAndHidesNoOverride(t *testing.T) {
	s := state()
	for n := range 30 {
		s.Entries = append(s.Entries, entry(7+n, "Ann", job.Replaced, job.Replacement{Part: fmt.Sprintf("transistor %d", n), Quantity: 1, Why: "the whole set"}))
	}
	d := document(t, s, false, true)
	page := html(t, d)
	for _, want := range []string{"Repair of your drive", "Done without what is usually asked for", "known board", "Something loads the bus", "power devices", "transistor 6",
		"and 23 more", "trips: 1; overrides: 2; NOT SAFE: 1", "Not done: board.", "tripped", "prove the DC bus dead"} {
		require.Contains(t, page, want)
	}
	for _, paper := range []report.Paper{report.A4, report.Letter} {
		require.Len(t, pages(t, pdf(t, d, paper)), 1, paper)
	}
}

// A second fitting record corrects the first, so that a customer does not pay for its devices twice; once they were taken out it counts.
func TestACorrectedFittingRecordCountsOnce(t *testing.T) {
	s := state()
	whole := job.Fitting{Devices: []job.Device{{Position: "A.high", GateSource: 10e3}, {Position: "A.low", GateSource: 10e3}}, Insulation: 2e8, Torque: "1.2 N m"}
	s.Entries = append(s.Entries, entry(7, "Ann", job.Fitted, whole))
	page := html(t, document(t, s, false, true))
	require.Contains(t, page, "the fitting record of entry 7")
	require.NotContains(t, page, "the fitting record of entry 6")
	s.Entries = append(s.Entries, entry(8, "Ann", job.Removed, job.Remark{}), entry(9, "Ann", job.Fitted, whole))
	page = html(t, document(t, s, false, true))
	require.Contains(t, page, "the fitting record of entry 7")
	require.Contains(t, page, "the fitting record of entry 9")
}

func TestTheGateChartIsOnACustomersSheetWhereItFitsAndStillCounts(t *testing.T) {
	s := state()
	require.Contains(t, html(t, document(t, s, false, true)), "Gate chart")
	s.Symptom = strings.Repeat("a long symptom ", 30)
	for _, paper := range []report.Paper{report.A4, report.Letter} {
		require.Len(t, pages(t, pdf(t, document(t, s, false, true), paper)), 1, paper)
	}
	s.Entries = append(s.Entries, entry(7, "Ann", job.Replaced, job.Replacement{Part: "driver", Quantity: 1}))
	require.NotContains(t, html(t, document(t, s, false, true)), "Gate chart", "it tells how the drive was")
}

func TestARunBeforeAReplacedPartIsCalledVoidInBothDocuments(t *testing.T) {
	s := state()
	s.Runs[0].Seen = 6
	for _, customer := range []bool{true, false} {
		require.NotContains(t, html(t, document(t, s, false, customer)), "void since")
	}
	s.Entries = append(s.Entries, entry(7, "Ann", job.Replaced, job.Replacement{Part: "driver", Quantity: 1}))
	for _, customer := range []bool{true, false} {
		require.Contains(t, html(t, document(t, s, false, customer)), "void since entry 7, replaced")
	}
}

func TestADeclinedProposalStandsWithItsReasonAndIsNoOverride(t *testing.T) {
	s := state()
	s.Proposals = []job.Proposal{{Subject: "A.low", Text: "the gate resistor of A.low is open", Entry: 7, By: "Bo", Declined: "it was the lead"}}
	s.Entries = append(s.Entries, entry(7, "Bo", job.Declined, job.Refusal{For: "A.low", Reason: "it was the lead"}))
	page := html(t, document(t, s, false, false))
	require.Contains(t, page, "DECLINED by Bo: it was the lead (entry 7)")
	require.Contains(t, page, "for A.low; it was the lead")
	require.NotContains(t, page, "OVERRIDE: it was the lead")
}

func TestAPageNeedsNothingElse(t *testing.T) {
	page := html(t, document(t, state(), true, false))
	for _, reference := range []string{"<script", "<link", "@import", "url(", "src=\"http", "href="} {
		require.NotContains(t, page, reference)
	}
	require.Contains(t, page, `src="data:image/jpeg;base64,`)
	decoder := xml.NewDecoder(strings.NewReader(page))
	decoder.Strict, decoder.AutoClose, decoder.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	for {
		_, err := decoder.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, "its elements are nested as they have to be")
	}
}

func TestTheSameRecordGivesTheSameBytes(t *testing.T) {
	require.Equal(t, html(t, document(t, state(), false, false)), html(t, document(t, state(), false, false)))
	require.Equal(t, pdf(t, document(t, state(), false, false), report.A4), pdf(t, document(t, state(), false, false), report.A4))
}

func TestPapersHaveTheirSizes(t *testing.T) {
	d := document(t, state(), false, true)
	require.Contains(t, string(pdf(t, d, report.A4)), "/MediaBox [0 0 595.28 841.89]", "ISO 216: 210 mm by 297 mm, in points of 1/72 inch")
	require.Contains(t, string(pdf(t, d, report.Letter)), "/MediaBox [0 0 612.00 792.00]", "8.5 by 11 inches")
}

func TestARunThatWasCutOffStillMakesAPage(t *testing.T) {
	all := events(false)
	for n := range all {
		d := report.OfUnit("W-1", "wren", "cut off", []report.Run{report.Take(all[:n])})
		require.Contains(t, html(t, d), "</svg> interrupted</span></h3>")
		require.NotEmpty(t, pdf(t, d, report.A4))
	}
}

func TestARowThatNoPageHoldsGoesOverSeveral(t *testing.T) {
	s := state()
	s.Entries = append(s.Entries, entry(7, "Ann", job.Noted, job.Remark{Text: strings.Repeat("a long story ", 1500) + "THE END"}))
	all := pages(t, pdf(t, document(t, s, false, false), report.A4))
	require.Contains(t, strings.Join(all, ""), "THE END")
}

func TestLettersThatTheFontLacksAreNamed(t *testing.T) {
	s := state()
	s.Symptom = "Ω µ ± ° – é Ж work; 火 and \U0001F525 and a\ttab do not"
	text := strings.Join(pages(t, pdf(t, document(t, s, false, true), report.A4)), "")
	require.Contains(t, strings.Join(strings.Fields(text), " "), "Ω µ ± ° – é Ж work; [U+706B] and [U+1F525] and a tab do not")
}

func TestPicturesInThePDFAreLinesAndLetters(t *testing.T) {
	file := pdf(t, document(t, state(), false, false), report.A4)
	require.Equal(t, 1, bytes.Count(file, []byte("/Subtype /Image")), "the photo is the only picture of dots")
	text := strings.Join(pages(t, file), "")
	for _, letters := range []string{"15 V", "10 s", "time"} {
		require.Contains(t, text, letters, "on the axes of the bus's picture")
	}
}

func TestASimulatedRunAmongRealOnesIsSaidToProveNothing(t *testing.T) {
	s := state()
	for _, customer := range []bool{true, false} {
		require.NotContains(t, html(t, document(t, s, true, customer)), "proves nothing", "the band above tells it of all")
	}
	s.Runs = append(s.Runs, record.Head{Name: "rehearsal", Script: "bus_ramp"})
	for _, customer := range []bool{true, false} {
		page := html(t, document(t, s, false, customer))
		require.Contains(t, page, "SIMULATED: figures")
		require.Equal(t, 1, strings.Count(page, "SIMULATED, proves nothing of this drive"))
	}
}

// A report is written whatever somebody typed.
func FuzzText(f *testing.F) {
	for _, seed := range []string{"", "a", "<b>&amp;</b>", strings.Repeat("W", 500), "\xff\xfe\x00", "a\n\n\nb", "\U0001F525\u0301", "(\\)", strings.Repeat("word ", 2000)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s := state()
		s.Unit, s.Order, s.Symptom, s.Cause, s.Outcome = text, text, text, text, text
		s.Stages = append(s.Stages, job.Stage{Name: text, Open: []string{text}})
		s.Entries = append(s.Entries, entry(7, text, job.Noted, job.Remark{Text: text}), entry(8, text, job.Replaced, job.Replacement{Part: text, Quantity: 1, Why: text}))
		for _, customer := range []bool{true, false} {
			d := document(t, s, false, customer)
			page := html(t, d)
			require.NotEmpty(t, pdf(t, d, report.Letter))
			require.Equal(t, 1, strings.Count(page, "</html>"), "what was typed is text, never markup")
		}
	})
}
