package job

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
)

// Proposal is what the latest cold checks propose to replace or to see to, and what a person has decided about it.
type Proposal struct {
	Run     string `json:"run"`
	Subject string `json:"subject"` // a gate channel, the rectifier ...
	Text    string `json:"text"`
	Part    string `json:"part,omitempty"`
	Do      string `json:"do,omitempty"`
	Devices bool   `json:"devices,omitempty"` // mended by the set of power devices, which the fitting record names

	Entry    int    `json:"entry,omitempty"` // the entry that decided it, 0: none yet
	Declined string `json:"declined,omitempty"`
	By       string `json:"by,omitempty"`
}

// Refusal is the decision not to follow a proposal. A proposal that is followed is a Replacement that names it.
type Refusal struct {
	For    string `json:"for"`
	Reason string `json:"reason"`
}

// proposals are made of what the cold checks that count found; those with one subject are decided together.
func (s *State) proposals(findings func(run string) ([]event.Finding, error)) (all []Proposal, err error) {
	for _, script := range s.needed[string(drive.Cold)].scripts {
		h, ok := s.latest(script, 0)
		if !ok {
			continue
		}
		found, err := findings(h.Name)
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			p := Proposal{Run: h.Name, Subject: f.Subject, Text: f.Text, Part: f.Part, Do: f.Do, Devices: f.Devices}
			for _, e := range s.Entries[min(h.Seen, len(s.Entries)):] {
				p.decide(e)
			}
			all = append(all, p)
		}
	}
	return all, nil
}

// decide takes an entry for a decision about the proposal, if it is one; the latest stands.
func (p *Proposal) decide(e record.Entry) {
	var b struct{ For, Reason string }
	if json.Unmarshal(e.Body, &b) != nil { // it was read before
		return
	}
	switch {
	case p.Devices && e.Kind == Fitted,
		!p.Devices && e.Kind == Replaced && b.For == p.Subject:
		p.Entry, p.By, p.Declined = e.N, e.By, ""
	case e.Kind == Declined && b.For == p.Subject:
		p.Entry, p.By, p.Declined = e.N, e.By, b.Reason
	}
}

// Decision is what became of a proposal, in words.
func (p Proposal) Decision() string {
	switch {
	case p.Declined != "":
		return fmt.Sprintf("DECLINED by %s: %s (entry %d)", p.By, p.Declined, p.Entry)
	case p.Entry > 0 && p.Devices:
		return fmt.Sprintf("new devices fitted by %s (entry %d)", p.By, p.Entry)
	case p.Entry > 0:
		return fmt.Sprintf("replaced by %s (entry %d)", p.By, p.Entry)
	case p.Devices:
		return "open: new devices are fitted once the board is released"
	}
	return "open"
}

// undecided says what stands against a release: proposals for the board that nobody has followed or declined.
func (s *State) undecided() (open []string) {
	for _, p := range s.Proposals {
		if p.Entry == 0 && !p.Devices {
			open = append(open, fmt.Sprintf("cold: %s: %s; neither replaced (job replace %s --for %q --part ...) nor declined (job decline %s --for %q --reason ...)",
				p.Subject, p.Text, s.ID, p.Subject, s.ID, p.Subject))
		}
	}
	return open
}

// wholeSet says whether all power devices are to be new: the survivors have had the same fault current (common practice, no source).
func (s *State) wholeSet() bool {
	return slices.ContainsFunc(s.Proposals, func(p Proposal) bool { return p.Devices && p.Declined == "" })
}

// unnamed are the positions that a fitting says nothing of. The board stage has left all of them empty.
func (s *State) unnamed(f Fitting) (positions []string) {
	for _, position := range s.positions {
		if !slices.ContainsFunc(f.Devices, func(d Device) bool { return d.Position == position }) {
			positions = append(positions, position)
		}
	}
	return positions
}

// proposed refuses a decision about what nothing proposes.
func (s *State) proposed(subject string) error {
	if slices.ContainsFunc(s.Proposals, func(p Proposal) bool { return p.Subject == subject }) {
		return nil
	}
	var known []string
	for _, p := range s.Proposals {
		known = append(known, p.Subject)
	}
	if len(known) == 0 {
		return refused(fmt.Errorf("--for %q: the latest cold checks propose nothing", subject))
	}
	return refused(fmt.Errorf("--for %q: nothing of that name is proposed; there are %s", subject, strings.Join(slices.Compact(known), ", ")))
}

func (r Refusal) check() error {
	if strings.TrimSpace(r.Reason) == "" {
		return refused(errors.New("a proposal is declined with a reason (--reason); it is printed on the report"))
	}
	return nil
}
