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
	taken := 0
	for oid, values := range map[uint32][]any{
		pgtype.TextArrayOID: {[]string(nil), []string{}, []string{""}, []string{"a", "", "żółć", "NULL", `{"x"}`}},
		pgtype.Int8ArrayOID: {[]int64(nil), []int64{}, []int64{0, -1, math.MaxInt64, math.MinInt64}},
	} {
		for _, v := range values {
			before := []byte("before")
			want, err := theirs.Encode(oid, pgtype.BinaryFormatCode, v, before)
			require.NoError(t, err)
			got, err := ours.Encode(oid, pgtype.BinaryFormatCode, v, before)
			require.NoError(t, err)
			require.Equal(t, want, got, "%#v", v)
			if isOurs(ours.PlanEncode(oid, pgtype.BinaryFormatCode, v)) {
				taken++
			}
		}
	}
	require.Equal(t, 7, taken)
	require.False(t, isOurs(ours.PlanEncode(pgtype.TextArrayOID, pgtype.BinaryFormatCode, []*string{nil})), "what may be NULL is pgtype's")
}

func isOurs(p pgtype.EncodePlan) bool {
	switch p.(type) {
	case *arrayCodec[string], *arrayCodec[int64]:
		return true
	}
	return false
}
