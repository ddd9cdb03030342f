package workflow

import (
	"fmt"
	"slices"
	"strconv"
	"time"
)

// Unit is the unit of a protocol parameter: UCUM for numbers.
type Unit string

// The units of protocol parameters.
const (
	Millilitre Unit = "mL"
	Minute     Unit = "min"
	Number     Unit = "1"
	Boolean    Unit = "boolean"
	FindingOf  Unit = "finding" // a FindingCode
	DrugOf     Unit = "drug"    // a Drug
	Text       Unit = "text"    // a sentence for people
)

// Parameter describes one parameter of a protocol by name, so that a protocol can be
// read and checked as data. Low and High are the limits, both allowed, "" for none;
// Source is where they come from. Many parameters may be given several times, in
// order; Optional ones may be left out.
type Parameter struct {
	Name     string
	Unit     Unit
	Low      string
	High     string
	Source   string
	Many     bool
	Optional bool
	set      func(p *Protocol, text string) error
	get      func(p *Protocol) []string
}

// Set assigns the value to the protocol; the error names what can't be read.
func (a Parameter) Set(p *Protocol, text string) error {
	if err := a.set(p, text); err != nil {
		return fmt.Errorf("%s: %w", a.Name, err)
	}
	return nil
}

// Get gives the parameter's values as text; empty if none is set.
func (a Parameter) Get(p *Protocol) []string { return a.get(p) }

// faults names each value that is outside the limits.
func (a Parameter) faults(p *Protocol) []string {
	if !a.Unit.number() {
		return nil
	}
	var faults []string
	for _, text := range a.get(p) {
		v := MustDecimal(text)
		if a.Low != "" && v.Less(MustDecimal(a.Low)) || a.High != "" && MustDecimal(a.High).Less(v) {
			faults = append(faults, fmt.Sprintf("%s is %s %s: it must be %s to %s (%s)",
				a.Name, text, a.Unit, orOpen(a.Low), orOpen(a.High), a.Source))
		}
	}
	return faults
}

func (u Unit) number() bool {
	switch u {
	case Millilitre, Minute, Number:
		return true
	case Boolean, FindingOf, DrugOf, Text:
	}
	return false
}

// optional makes a parameter one that may be left out: then it is 0, or false.
func optional(a Parameter) Parameter {
	a.Optional = true
	get := a.get
	a.get = func(p *Protocol) []string {
		if texts := get(p); !slices.Equal(texts, []string{"0"}) && !slices.Equal(texts, []string{"false"}) {
			return texts
		}
		return nil
	}
	return a
}

// list is a parameter that may be given any number of times.
func list[T ~string](name string, u Unit, source string, read func(text string) (T, error), field func(*Protocol) *[]T) Parameter {
	return Parameter{
		Name: name, Unit: u, Source: source, Many: true, Optional: true,
		set: func(p *Protocol, text string) error {
			x, err := read(text)
			if err == nil {
				*field(p) = append(*field(p), x)
			}
			return err
		},
		get: func(p *Protocol) []string {
			var texts []string
			for _, x := range *field(p) {
				texts = append(texts, string(x))
			}
			return texts
		},
	}
}

func orOpen(limit string) string {
	if limit == "" {
		return "any"
	}
	return limit
}

func minutes(name, low, high, source string, field func(*Protocol) *time.Duration) Parameter {
	return Parameter{
		Name: name, Unit: Minute, Low: low, High: high, Source: source,
		set: func(p *Protocol, text string) error {
			d, err := parseMinutes(text)
			if err == nil {
				*field(p) = d
			}
			return err
		},
		get: func(p *Protocol) []string { return []string{minuteText(*field(p))} },
	}
}

func amount(name, low, high, source string, field func(*Protocol) *Decimal) Parameter {
	return Parameter{
		Name: name, Unit: Millilitre, Low: low, High: high, Source: source,
		set: func(p *Protocol, text string) error {
			d, err := ParseDecimal(text)
			if err == nil {
				*field(p) = d
			}
			return err
		},
		get: func(p *Protocol) []string { return []string{field(p).String()} },
	}
}

func count(name, low, high, source string, field func(*Protocol) *int) Parameter {
	return Parameter{
		Name: name, Unit: Number, Low: low, High: high, Source: source,
		set: func(p *Protocol, text string) error {
			n, err := strconv.Atoi(text)
			if err == nil {
				*field(p) = n
			}
			return err
		},
		get: func(p *Protocol) []string { return []string{strconv.Itoa(*field(p))} },
	}
}

func boolean(name, source string, field func(*Protocol) *bool) Parameter {
	return Parameter{
		Name: name, Unit: Boolean, Source: source,
		set: func(p *Protocol, text string) error {
			b, err := strconv.ParseBool(text)
			if err == nil {
				*field(p) = b
			}
			return err
		},
		get: func(p *Protocol) []string { return []string{strconv.FormatBool(*field(p))} },
	}
}

func parseMinutes(text string) (time.Duration, error) {
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("%q is not a whole number of minutes", text)
	}
	return time.Duration(n) * time.Minute, nil
}

func minuteText(d time.Duration) string { return strconv.FormatInt(int64(d/time.Minute), 10) }
