package postgres

import (
	"math"
	"testing"

	"github.com/jackc/pgx/v5/pgtype"
	"github.com/stretchr/testify/require"
)

// What is written must be what pgtype writes (github.com/jackc/pgx/v5/pgtype, the reference).
func TestArraysAreWrittenAsPgtypeDoes(t *testing.T) {
	t.Parallel()
	ours, theirs := pgtype.NewMap(), pgtype.NewMap()
	for _, a := range arrayTypes(ours) {
		ours.RegisterType(a)
	}
	for _, c := range []struct {
		oid  uint32
		plan pgtype.EncodePlan
		all  []any
		none any // with elements that may be NULL
	}{
		{pgtype.TextArrayOID, textArray{}, []any{[]string(nil), []string{}, []string{""}, []string{"a", "", "żółć", "NULL", `{"x"}`}}, []*string{nil}},
		{pgtype.Int4ArrayOID, int4s, []any{[]int(nil), []int{}, []int{0, 1, -1, math.MaxInt32, math.MinInt32}}, []*int{nil}},
		{pgtype.Int8ArrayOID, int8s, []any{[]int64(nil), []int64{}, []int64{0, 1, -1, math.MaxInt64, math.MinInt64}}, []*int64{nil}},
	} {
		for _, value := range c.all {
			for _, format := range []int16{pgtype.BinaryFormatCode, pgtype.TextFormatCode} {
				before := []byte("before")
				want, err := theirs.Encode(c.oid, format, value, before)
				require.NoError(t, err)
				got, err := ours.Encode(c.oid, format, value, before)
				require.NoError(t, err)
				require.Equal(t, want, got, "%v", value)
			}
			require.IsType(t, c.plan, ours.PlanEncode(c.oid, pgtype.BinaryFormatCode, value))
		}
		require.NotEqual(t, c.plan, ours.PlanEncode(c.oid, pgtype.BinaryFormatCode, c.none), "what may be NULL is pgtype's")
	}
	for _, n := range []int{math.MaxInt32 + 1, math.MinInt32 - 1} {
		_, err := ours.Encode(pgtype.Int4ArrayOID, pgtype.BinaryFormatCode, []int{0, n}, nil)
		require.Error(t, err)
	}
}
