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

// arrayTypes are the arrays that commits are made of, for one connection.
func arrayTypes(m *pgtype.Map) []*pgtype.Type {
	r := &room{}
	return []*pgtype.Type{
		arrayType[string](m, "_text", pgtype.TextArrayOID, pgtype.TextOID, textArray{r}),
		arrayType[int](m, "_int4", pgtype.Int4ArrayOID, pgtype.Int4OID, numberArray[int]{r, pgtype.Int4OID, word}),
		arrayType[int64](m, "_int8", pgtype.Int8ArrayOID, pgtype.Int8OID, numberArray[int64]{r, pgtype.Int8OID, 2 * word}),
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

// room is memory of a connection for the arrays of a statement. pgx takes a new small buffer for
// each statement, fills it parameter by parameter, and has sent what is in it before it builds
// the next (ExtendedQueryBuilder of its extended_query_builder.go, which uses small ones again itself).
type room struct{ kept []byte }

// mostKept is the most: what a larger statement took is left to the garbage collector.
const mostKept = 1 << 20

// in gives the buffer room for size more bytes. One that is smaller than what is kept moves there:
// once a statement has, its buffer is never smaller again, so that nothing of it is written over.
func (r *room) in(buf []byte, size int) []byte {
	if cap(buf)-len(buf) >= size {
		return buf
	}
	if len(buf)+size <= cap(r.kept) {
		return append(r.kept[:0], buf...)
	}
	buf = slices.Grow(buf, max(size, cap(buf)))
	if cap(buf) <= mostKept {
		r.kept = buf[:0]
	}
	return buf
}

// begin makes room for an array and writes its head.
func (r *room) begin(buf []byte, element, n, size int) ([]byte, error) {
	if size > math.MaxInt32 {
		return nil, errors.New("an array of more than 2 GB")
	}
	buf = r.in(buf, size)
	for _, x := range []int{dimensions, nulls, element, n, lowest} {
		buf = appendWord(buf, x)
	}
	return buf, nil
}

type textArray struct{ *room }

// Encode implements pgtype.EncodePlan.
func (a textArray) Encode(value any, buf []byte) (_ []byte, err error) {
	texts := value.([]string) //nolint:forcetypeassert // PlanEncode gives this for nothing else
	if texts == nil {
		return nil, nil // NULL
	}
	size := arrayHead
	for _, t := range texts {
		size += word + len(t)
	}
	if buf, err = a.begin(buf, pgtype.TextOID, len(texts), size); err != nil {
		return nil, err
	}
	for _, t := range texts {
		buf = append(appendWord(buf, len(t)), t...)
	}
	return buf, nil
}

// numberArray is an array of numbers of a size.
type numberArray[T int | int64] struct {
	*room
	element, size int
}

// Encode implements pgtype.EncodePlan.
func (a numberArray[T]) Encode(value any, buf []byte) (_ []byte, err error) {
	numbers := value.([]T) //nolint:forcetypeassert // PlanEncode gives this for nothing else
	if numbers == nil {
		return nil, nil // NULL
	}
	if buf, err = a.begin(buf, a.element, len(numbers), arrayHead+len(numbers)*(word+a.size)); err != nil {
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
