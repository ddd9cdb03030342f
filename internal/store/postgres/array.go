package postgres

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"

	"github.com/jackc/pgx/v5/pgtype"
)

// textArrays writes a []string as an array of texts in one piece, where pgtype asks for each
// element by itself and for memory as it goes: a commit sends thousands. All else is pgtype's.
type textArrays struct{ *pgtype.ArrayCodec }

func textArrayType(m *pgtype.Map) *pgtype.Type {
	text, _ := m.TypeForOID(pgtype.TextOID)
	return &pgtype.Type{Name: "_text", OID: pgtype.TextArrayOID, Codec: textArrays{&pgtype.ArrayCodec{ElementType: text}}}
}

// PlanEncode implements pgtype.Codec.
func (c textArrays) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if _, ours := value.([]string); ours && format == pgtype.BinaryFormatCode {
		return textArray{}
	}
	return c.ArrayCodec.PlanEncode(m, oid, format, value)
}

type textArray struct{}

// Encode implements pgtype.EncodePlan, as array_recv of PostgreSQL's
// src/backend/utils/adt/arrayfuncs.c reads it.
func (textArray) Encode(value any, buf []byte) ([]byte, error) {
	const word, dimensions, nulls, lowest = 4, 1, 0, 1
	texts := value.([]string) //nolint:forcetypeassert // PlanEncode gives this for nothing else
	if texts == nil {
		return nil, nil // NULL
	}
	size := 5 * word
	for _, t := range texts {
		size += word + len(t)
	}
	if size > math.MaxInt32 {
		return nil, errors.New("an array of more than 2 GB")
	}
	buf = slices.Grow(buf, size)
	for _, n := range []int{dimensions, nulls, pgtype.TextOID, len(texts), lowest} {
		buf = appendWord(buf, n)
	}
	for _, t := range texts {
		buf = append(appendWord(buf, len(t)), t...)
	}
	return buf, nil
}

// appendWord appends a number of an array that is below 2 GB.
func appendWord(buf []byte, n int) []byte {
	return binary.BigEndian.AppendUint32(buf, uint32(n)) //nolint:gosec // see above
}
