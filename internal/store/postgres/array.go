package postgres

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/jackc/pgx/v5/pgtype"
)

// arrays writes a slice as an array in one piece, where pgtype asks for each element by itself and
// for memory as it goes: a commit sends thousands. All else is pgtype's.
type arrays[T any] struct {
	*pgtype.ArrayCodec
	plan pgtype.EncodePlan
}

// arrayTypes are the arrays that commits are made of.
func arrayTypes(m *pgtype.Map) []*pgtype.Type {
	return []*pgtype.Type{
		arrayType[string](m, "_text", pgtype.TextArrayOID, pgtype.TextOID, textArray{}),
		arrayType[int](m, "_int4", pgtype.Int4ArrayOID, pgtype.Int4OID, int4s),
		arrayType[int64](m, "_int8", pgtype.Int8ArrayOID, pgtype.Int8OID, int8s),
	}
}

func arrayType[T any](m *pgtype.Map, name string, oid, element uint32, plan pgtype.EncodePlan) *pgtype.Type {
	t, _ := m.TypeForOID(element)
	return &pgtype.Type{Name: name, OID: oid, Codec: arrays[T]{&pgtype.ArrayCodec{ElementType: t}, plan}}
}

// PlanEncode implements pgtype.Codec.
func (c arrays[T]) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if _, ours := value.([]T); ours && format == pgtype.BinaryFormatCode {
		return c.plan
	}
	return c.ArrayCodec.PlanEncode(m, oid, format, value)
}

// The sizes of the parts of an array, as array_recv of PostgreSQL's
// src/backend/utils/adt/arrayfuncs.c reads it.
const (
	word       = 4
	arrayHead  = 5 * word
	dimensions = 1
	nulls      = 0
	lowest     = 1
)

// begin makes room for an array and writes its head.
func begin(buf []byte, element, n, size int) ([]byte, error) {
	if size > math.MaxInt32 {
		return nil, errors.New("an array of more than 2 GB")
	}
	// The buffer holds the arrays of a whole statement: it grows by as much as it has.
	buf = slices.Grow(buf, max(size, cap(buf)))
	for _, x := range []int{dimensions, nulls, element, n, lowest} {
		buf = appendWord(buf, x)
	}
	return buf, nil
}

type textArray struct{}

// Encode implements pgtype.EncodePlan.
func (textArray) Encode(value any, buf []byte) (_ []byte, err error) {
	texts := value.([]string) //nolint:forcetypeassert // PlanEncode gives this for nothing else
	if texts == nil {
		return nil, nil // NULL
	}
	size := arrayHead
	for _, t := range texts {
		size += word + len(t)
	}
	if buf, err = begin(buf, pgtype.TextOID, len(texts), size); err != nil {
		return nil, err
	}
	for _, t := range texts {
		buf = append(appendWord(buf, len(t)), t...)
	}
	return buf, nil
}

// numberArray is an array of numbers of a size.
type numberArray[T int | int64] struct{ element, size int }

var (
	int4s = numberArray[int]{pgtype.Int4OID, word}
	int8s = numberArray[int64]{pgtype.Int8OID, 2 * word}
)

// Encode implements pgtype.EncodePlan.
func (a numberArray[T]) Encode(value any, buf []byte) (_ []byte, err error) {
	numbers := value.([]T) //nolint:forcetypeassert // PlanEncode gives this for nothing else
	if numbers == nil {
		return nil, nil // NULL
	}
	if buf, err = begin(buf, a.element, len(numbers), arrayHead+len(numbers)*(word+a.size)); err != nil {
		return nil, err
	}
	for _, n := range numbers {
		buf = appendWord(buf, a.size)
		switch n := int64(n); {
		case a.size > word:
			buf = binary.BigEndian.AppendUint64(buf, uint64(n)) //nolint:gosec // its bits are sent
		case n < math.MinInt32 || n > math.MaxInt32:
			return nil, fmt.Errorf("%d is beyond an int4", n)
		default:
			buf = appendWord(buf, int(n))
		}
	}
	return buf, nil
}

// appendWord appends a number that fits a word.
func appendWord(buf []byte, n int) []byte {
	return binary.BigEndian.AppendUint32(buf, uint32(n)) //nolint:gosec // see above
}
