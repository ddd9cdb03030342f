package postgres

import (
	"testing"

	"github.com/jackc/pgx/v5/pgtype"
	"github.com/stretchr/testify/require"
)

// What is written must be what pgtype writes (github.com/jackc/pgx/v5/pgtype, the reference).
func TestTextArraysAreWrittenAsPgtypeDoes(t *testing.T) {
	t.Parallel()
	ours, theirs := pgtype.NewMap(), pgtype.NewMap()
	ours.RegisterType(textArrayType(ours))
	for _, texts := range [][]string{nil, {}, {""}, {"a", "", "żółć", "NULL", `{"x"}`}} {
		for _, format := range []int16{pgtype.BinaryFormatCode, pgtype.TextFormatCode} {
			before := []byte("before")
			want, err := theirs.Encode(pgtype.TextArrayOID, format, texts, before)
			require.NoError(t, err)
			got, err := ours.Encode(pgtype.TextArrayOID, format, texts, before)
			require.NoError(t, err)
			require.Equal(t, want, got, "%q", texts)
		}
	}
	require.IsType(t, textArray{}, ours.PlanEncode(pgtype.TextArrayOID, pgtype.BinaryFormatCode, []string{"a"}))
	_, mistaken := ours.PlanEncode(pgtype.TextArrayOID, pgtype.BinaryFormatCode, []*string{nil}).(textArray)
	require.False(t, mistaken, "what may be NULL is pgtype's")
}
