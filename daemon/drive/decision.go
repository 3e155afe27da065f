package drive

import (
	"errors"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// Decision is how the uncertainty of a reading counts near a limit: the word simple (default) or guarded, or
// {false_acceptance: 5 %}.
type Decision struct {
	FalseAcceptance *quantity.Ratio `yaml:"false_acceptance" need:"true"`

	word string // how it was written, where it was a word
}

const (
	simple  = "simple"
	guarded = "guarded"
)

// UnmarshalText reads one of the words.
func (d *Decision) UnmarshalText(text []byte) error {
	word := string(text)
	if !known(word, simple, guarded) {
		return errors.New(notOneOf(word, []string{simple, guarded}) + ", or write {false_acceptance: 5 %}")
	}
	d.word = word
	return nil
}

// Rule is the decision rule of every check of the family.
func (d Decision) Rule() verdict.Rule {
	switch {
	case d.FalseAcceptance != nil:
		return verdict.FalseAcceptance(*d.FalseAcceptance)
	case d.word == guarded:
		return verdict.Guarded
	}
	return verdict.Default
}

func (j *judge) decision(d Decision) {
	if risk := d.FalseAcceptance; risk != nil && !(*risk > 0 && *risk < 0.5) {
		j.fault("decision.false_acceptance", "has to lie between 0 %% and 50 %%, not %v: without any risk nothing could ever pass", *risk)
	}
}
