package postgres

import (
	"encoding/binary"
	"slices"

	"github.com/jackc/pgx/v5/pgtype"
)

// arrayCodec writes one kind of slice as an array in one piece, where pgtype asks for each
// element by itself and for memory as it goes: a commit sends thousands of them. All else is
// pgtype's.
type arrayCodec[T any] struct {
	*pgtype.ArrayCodec
	size func(T) int
	put  func([]byte, T) []byte
}

// arrayTypes are the arrays that commits are made of.
func arrayTypes(m *pgtype.Map) []*pgtype.Type {
	return []*pgtype.Type{
		arrayType(m, pgtype.TextOID, func(s string) int { return len(s) }, func(b []byte, s string) []byte { return append(b, s...) }),
		arrayType(m, pgtype.Int8OID, func(int64) int { return 8 }, func(b []byte, n int64) []byte { return binary.BigEndian.AppendUint64(b, uint64(n)) }),
	}
}

func arrayType[T any](m *pgtype.Map, element uint32, size func(T) int, put func([]byte, T) []byte) *pgtype.Type {
	of, _ := m.TypeForOID(element)
	array, _ := m.TypeForName("_" + of.Name)
	return &pgtype.Type{Name: array.Name, OID: array.OID, Codec: &arrayCodec[T]{&pgtype.ArrayCodec{ElementType: of}, size, put}}
}

// PlanEncode implements pgtype.Codec.
func (c *arrayCodec[T]) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if _, ours := value.([]T); ours && format == pgtype.BinaryFormatCode {
		return c
	}
	return c.ArrayCodec.PlanEncode(m, oid, format, value)
}

// Encode implements pgtype.EncodePlan: array_send of PostgreSQL's src/backend/utils/adt/arrayfuncs.c.
func (c *arrayCodec[T]) Encode(value any, buf []byte) ([]byte, error) {
	const head, perElement, dimensions, lowest = 20, 4, 1, 1
	all := value.([]T)
	if all == nil {
		return nil, nil // NULL
	}
	n := head
	for _, v := range all {
		n += perElement + c.size(v)
	}
	buf = slices.Grow(buf, n)
	for _, word := range []uint32{dimensions, 0, c.ElementType.OID, uint32(len(all)), lowest} {
		buf = binary.BigEndian.AppendUint32(buf, word)
	}
	for _, v := range all {
		buf = binary.BigEndian.AppendUint32(buf, uint32(c.size(v)))
		buf = c.put(buf, v)
	}
	return buf, nil
}
