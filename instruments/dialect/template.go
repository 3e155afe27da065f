package dialect

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/scpi"
)

// Template is a message with its parameters in braces:
//
//	{voltage}               the shortest text that reads as the same number
//	{voltage:.4f} {step:.6e} fixed or exponent form with that many places
//	{current*1000:.1f}      the number times a factor, for an instrument that counts in milliamperes
//	{code:d} {code:02d}     a whole number
//	{on:ON|OFF}             the word for yes, the word for no
//	{edge:rising=POS,falling=NEG}  the instrument's word for ours
//	{item:string}           text in double quotes, a quote inside doubled (IEEE 488.2 string)
//
// A number is rounded towards zero where rounding to the nearest would go past the value that was asked for.
type Template struct {
	text  string
	parts []segment
}

// segment is literal text, or a parameter if name is set.
type segment struct {
	literal string
	name    string
	form    form
}

// form is how a parameter is written.
type form interface {
	write(value any, span *Span) (string, error)
	fits(p param) error
}

func (t Template) String() string { return t.text }

var placeholder = regexp.MustCompile(`^([a-z][a-z0-9_]*)(?:\*([^:]+))?(?::(.*))?$`)

// UnmarshalText reads a message with parameters.
func (t *Template) UnmarshalText(text []byte) error {
	rest := string(text)
	*t = Template{text: rest}
	if rest == "" {
		return errors.New("the message is empty")
	}
	if err := printable(rest); err != nil {
		return err
	}
	for rest != "" {
		open := strings.IndexAny(rest, "{}")
		if open < 0 {
			t.parts = append(t.parts, segment{literal: rest})
			return nil
		}
		stop := strings.IndexByte(rest, '}')
		if rest[open] == '}' || stop < 0 {
			return fmt.Errorf("the braces in %q do not pair", text)
		}
		if open > 0 {
			t.parts = append(t.parts, segment{literal: rest[:open]})
		}
		s, err := parameter(rest[open+1 : stop])
		if err != nil {
			return err
		}
		t.parts = append(t.parts, s)
		rest = rest[stop+1:]
	}
	return nil
}

func parameter(text string) (segment, error) {
	m := placeholder.FindStringSubmatch(text)
	if m == nil {
		return segment{}, fmt.Errorf("{%s} is no parameter; write {name}, {name:.4f}, {name:ON|OFF}", text)
	}
	f, err := parseForm(m[2], m[3])
	if err != nil {
		return segment{}, fmt.Errorf("{%s}: %w", text, err)
	}
	return segment{name: m[1], form: f}, nil
}

var (
	numberForm = regexp.MustCompile(`^\.(\d{1,2})([fe])$`)
	wholeForm  = regexp.MustCompile(`^(?:0(\d))?d$`)
)

func parseForm(factor, text string) (form, error) {
	n := number{factor: 1}
	if factor != "" {
		x, err := scpi.ParseNumber(factor)
		if err != nil || x <= 0 {
			return nil, fmt.Errorf("the factor %q is no number above zero", factor)
		}
		n.factor = x
	}
	if m := numberForm.FindStringSubmatch(text); m != nil {
		n.places, _ = strconv.Atoi(m[1]) // digits by the expression
		n.verb = m[2][0]
		return n, nil
	}
	if text == "" {
		return n, nil
	}
	if factor != "" {
		return nil, errors.New("a factor belongs to numbers only")
	}
	switch m := wholeForm.FindStringSubmatch(text); {
	case m != nil:
		width, _ := strconv.Atoi(m[1]) // a digit by the expression, or nothing
		return whole{width: width}, nil
	case text == "string":
		return quoted{}, nil
	case strings.Contains(text, "="):
		return parseWords(text)
	}
	yes, no, found := strings.Cut(text, "|")
	if !found || yes == no || strings.Contains(no, "|") {
		return nil, fmt.Errorf("%q is no format; there are .4f, .6e, d, yes|no, ours=theirs,..., string", text)
	}
	return choice{yes: yes, no: no}, nil
}

func parseWords(text string) (form, error) {
	w := words{}
	for pair := range strings.SplitSeq(text, ",") {
		ours, theirs, found := strings.Cut(pair, "=")
		if _, twice := w[ours]; !found || twice || ours == "" || theirs == "" {
			return nil, fmt.Errorf("%q: wants each word once, as ours=theirs", pair)
		}
		w[ours] = theirs
	}
	return w, nil
}

// parameters are the names of a template's parameters, each once.
func (t Template) parameters() []string {
	var names []string
	for _, s := range t.parts {
		if s.name != "" && !slices.Contains(names, s.name) {
			names = append(names, s.name)
		}
	}
	return names
}

// render writes the message. Every argument has to have its place in it.
func (t Template) render(args Args, ranges map[string]Span) (string, error) {
	names := t.parameters()
	for name := range args {
		if !slices.Contains(names, name) {
			return "", fmt.Errorf("%q has no place for %s", t.text, name)
		}
	}
	var message strings.Builder
	for _, s := range t.parts {
		if s.name == "" {
			message.WriteString(s.literal)
			continue
		}
		value, given := args[s.name]
		if !given {
			return "", fmt.Errorf("%s is missing", s.name)
		}
		var span *Span
		if found, ok := ranges[s.name]; ok {
			span = &found
		}
		text, err := s.form.write(value, span)
		if err != nil {
			return "", fmt.Errorf("%s: %w", s.name, err)
		}
		message.WriteString(text)
	}
	return message.String(), nil
}

// number writes numbers in fixed ('f') or exponent ('e') form, or as short as possible (0).
type number struct {
	verb   byte
	places int
	factor float64
}

func (n number) fits(p param) error {
	if p.is != aNumber {
		return fmt.Errorf("is %s, not a measured number", p.is)
	}
	return nil
}

func (n number) write(value any, span *Span) (string, error) {
	x, err := toNumber(value, span)
	if err != nil {
		return "", err
	}
	text := n.digits(x * n.factor)
	written, err := scpi.ParseNumber(text)
	if err != nil {
		return "", err
	}
	// Written in few digits, a value just above the low end of the range may come out below it.
	if written /= n.factor; span != nil && !span.Holds(written) && !near(written, x) {
		return "", fmt.Errorf("%v written as %s is outside %v", value, text, *span)
	}
	return text, nil
}

// near allows for the binary rounding of a decimal.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-12*math.Abs(b) }

func (n number) digits(y float64) string {
	if n.verb == 0 {
		return strconv.FormatFloat(y, 'g', -1, 64)
	}
	text := strconv.FormatFloat(y, n.verb, n.places, 64)
	written, err := strconv.ParseFloat(text, 64)
	if err != nil || math.Abs(written) <= math.Abs(y) || near(written, y) {
		return text
	}
	step := math.Pow10(-n.places)
	if n.verb == 'e' {
		exponent, _ := strconv.Atoi(text[strings.IndexByte(text, 'e')+1:]) // FormatFloat's own
		step *= math.Pow10(exponent)
	}
	return strconv.FormatFloat(y-math.Copysign(step/2, y), n.verb, n.places, 64)
}

// whole writes whole numbers.
type whole struct{ width int }

func (whole) fits(p param) error {
	if p.is != aWhole {
		return fmt.Errorf("is %s, not a whole number", p.is)
	}
	return nil
}

func (w whole) write(value any, span *Span) (string, error) {
	n, ok := value.(int)
	if !ok {
		return "", fmt.Errorf("%v is not a whole number", value)
	}
	if span != nil && !span.Holds(float64(n)) {
		return "", fmt.Errorf("%d is outside %v", n, *span)
	}
	return fmt.Sprintf("%0*d", w.width, n), nil
}

// choice writes one of two words.
type choice struct{ yes, no string }

func (choice) fits(p param) error {
	if p.is != aSwitch {
		return fmt.Errorf("is %s, not a yes or no", p.is)
	}
	return nil
}

func (c choice) write(value any, _ *Span) (string, error) {
	on, ok := value.(bool)
	switch {
	case !ok:
		return "", fmt.Errorf("%v is neither true nor false", value)
	case on:
		return c.yes, nil
	}
	return c.no, nil
}

// words writes the instrument's word for one of ours.
type words map[string]string

func (w words) fits(p param) error {
	if p.is != aWord {
		return fmt.Errorf("is %s, not a word", p.is)
	}
	for ours := range w {
		if !slices.Contains(p.words, ours) {
			return fmt.Errorf("%s is none of our words %s", ours, strings.Join(p.words, ", "))
		}
	}
	return nil
}

func (w words) write(value any, _ *Span) (string, error) {
	ours, ok := value.(string)
	if !ok {
		return "", fmt.Errorf("%v is not a word", value)
	}
	theirs, ok := w[ours]
	if !ok {
		return "", fmt.Errorf("this instrument has no %q", ours)
	}
	return theirs, nil
}

// quoted writes text as an IEEE 488.2 string.
type quoted struct{}

func (quoted) fits(p param) error {
	if p.is != aText {
		return fmt.Errorf("is %s, not text", p.is)
	}
	return nil
}

func (quoted) write(value any, _ *Span) (string, error) {
	text, ok := value.(string)
	if !ok {
		return "", fmt.Errorf("%v is not text", value)
	}
	if err := printable(text); err != nil {
		return "", err
	}
	return scpi.FormatString(text), nil
}

// printable refuses what could end a message or change the instrument's state as a control character.
func printable(text string) error {
	for _, r := range text {
		if r < ' ' || r > '~' {
			return fmt.Errorf("%q holds a character that may not be sent", text)
		}
	}
	return nil
}
