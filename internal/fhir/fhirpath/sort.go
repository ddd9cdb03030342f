package fhirpath

import (
	"errors"
	"slices"
)

// sortKey is an argument of sort; "-" before it, or "desc" after it, makes it sort
// downwards, texts too.
type sortKey struct {
	code code
	down bool
}

func (c *compiler) sort(n *ast) (code, error) {
	keys := []sortKey{}
	for _, a := range n.args {
		down := a.kind == astUnary && a.name == "-"
		if down {
			a = a.args[0]
		}
		k, err := c.compile(a, true)
		if err != nil {
			return code{}, err
		}
		keys = append(keys, sortKey{k, down})
	}
	if len(keys) == 0 {
		keys = append(keys, sortKey{code: dollar("this")})
	}
	return collected(sorted(keys)), nil
}

type sortRow struct {
	item Value
	keys []Value
}

func sorted(keys []sortKey) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		rows := make([]sortRow, len(in))
		err := forEach(e, in, func(i int, item []Value) (bool, error) {
			rows[i].item = item[0]
			for _, k := range keys {
				out, err := k.code.eval(e, item)
				if err != nil {
					return false, err
				}
				v, _, err := single(out, "the key of sort")
				if err != nil {
					return false, err
				}
				rows[i].keys = append(rows[i].keys, v)
			}
			return true, nil
		})
		if err != nil {
			return nil, err
		}
		slices.SortStableFunc(rows, func(a, b sortRow) int {
			order, sortErr := compareRows(keys, a, b)
			err = errors.Join(err, sortErr)
			return order
		})
		out := make([]Value, len(in))
		for i, r := range rows {
			out[i] = r.item
		}
		return out, err
	}
}

// compareRows orders by the first key that differs; no key sorts first, also
// downwards, as HL7's suite has it.
func compareRows(keys []sortKey, a, b sortRow) (int, error) {
	for i, k := range keys {
		x, y := a.keys[i], b.keys[i]
		if x.kind == kindNone || y.kind == kindNone {
			if x.kind == y.kind {
				continue
			}
			return int(min(x.kind, 1)) - int(min(y.kind, 1)), nil
		}
		order, _, err := compare(x, y)
		if err != nil || order != 0 {
			if k.down {
				order = -order
			}
			return order, err
		}
	}
	return 0, nil
}
