package conformance

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
)

// question is a case as it is sent to a validator: the text of the resource is a JSON
// string, since it is not always well-formed.
type question struct {
	ID       string   `json:"id"`
	Resource string   `json:"resource"`
	Profiles []string `json:"profiles,omitempty"`
}

// maxLine bounds a line of the exchange: a verdict with very many issues is the longest.
const maxLine = 256 << 20

func lines(r io.Reader) *bufio.Scanner {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 1<<20), maxLine)
	return s
}

// ask writes the cases, a line each.
func ask(w io.Writer, cases []Case) error {
	out := bufio.NewWriter(w)
	enc := json.NewEncoder(out)
	for _, c := range cases {
		if err := enc.Encode(question{c.ID, string(c.Body), c.Profiles}); err != nil {
			return err
		}
	}
	return out.Flush()
}

// Answer serves the validator's side: for each case that comes in, judge gives the
// issues, and a verdict goes out.
func Answer(r io.Reader, w io.Writer, judge func(resource string) []Issue) error {
	out := bufio.NewWriter(w)
	enc := json.NewEncoder(out)
	in := lines(r)
	for in.Scan() {
		var q question
		if err := json.Unmarshal(in.Bytes(), &q); err != nil {
			return fmt.Errorf("read a case: %w", err)
		}
		if err := enc.Encode(Verdict{q.ID, judge(q.Resource)}); err != nil {
			return err
		}
	}
	if err := in.Err(); err != nil {
		return err
	}
	return out.Flush()
}

// verdicts reads what a validator answered and holds it to what was asked: one verdict
// for each case, in the same order.
func verdicts(r io.Reader, cases []Case) ([]Verdict, error) {
	out := make([]Verdict, 0, len(cases))
	in := lines(r)
	for in.Scan() {
		var v Verdict
		if err := json.Unmarshal(in.Bytes(), &v); err != nil {
			return nil, fmt.Errorf("verdict %d: %w: %.80s", len(out)+1, err, in.Text())
		}
		if len(out) >= len(cases) || v.ID != cases[len(out)].ID {
			return nil, fmt.Errorf("verdict %d is about %s, which was not asked", len(out)+1, v.ID)
		}
		out = append(out, v)
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	if len(out) < len(cases) {
		return nil, fmt.Errorf("verdicts end before %s: %d of %d", cases[len(out)].ID, len(out), len(cases))
	}
	return out, nil
}
