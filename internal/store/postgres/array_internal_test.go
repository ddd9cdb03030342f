package postgres

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
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
		{pgtype.Int4ArrayOID, numberArray[int]{}, []any{[]int(nil), []int{}, []int{0, 1, -1, math.MaxInt32, math.MinInt32}}, []*int{nil}},
		{pgtype.Int8ArrayOID, numberArray[int64]{}, []any{[]int64(nil), []int64{}, []int64{0, 1, -1, math.MaxInt64, math.MinInt64}}, []*int64{nil}},
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
		require.NotEqual(t, reflect.TypeOf(c.plan), reflect.TypeOf(ours.PlanEncode(c.oid, pgtype.BinaryFormatCode, c.none)), "what may be NULL is pgtype's")
	}
	for _, n := range []int{math.MaxInt32 + 1, math.MinInt32 - 1} {
		_, err := ours.Encode(pgtype.Int4ArrayOID, pgtype.BinaryFormatCode, []int{0, n}, nil)
		require.Error(t, err)
	}
}

// Statements of one connection share memory. Whatever their sizes, and whatever stands between the
// arrays, each must hold what pgx makes of it with pgtype's own codecs.
func TestStatementsShareMemory(t *testing.T) {
	t.Parallel()
	ours, theirs := pgtype.NewMap(), pgtype.NewMap()
	for _, a := range arrayTypes(ours) {
		ours.RegisterType(a)
	}
	random := rand.New(rand.NewPCG(1, 2))
	var mine, reference pgx.ExtendedQueryBuilder
	for range 2_000 {
		sd, args := &pgconn.StatementDescription{}, []any{}
		for range 1 + random.IntN(6) {
			n := random.IntN(1 << random.IntN(9))
			switch random.IntN(4) {
			case 0:
				sd.ParamOIDs, args = append(sd.ParamOIDs, pgtype.TextArrayOID), append(args, repeat(n, strings.Repeat("ż", random.IntN(200))))
			case 1:
				sd.ParamOIDs, args = append(sd.ParamOIDs, pgtype.Int4ArrayOID), append(args, repeat(n, random.IntN(1000)))
			case 2:
				sd.ParamOIDs, args = append(sd.ParamOIDs, pgtype.Int8ArrayOID), append(args, repeat(n, random.Int64()))
			default: // between them, what is not ours
				sd.ParamOIDs, args = append(sd.ParamOIDs, pgtype.ByteaOID), append(args, make([]byte, 10*n))
			}
		}
		require.NoError(t, mine.Build(ours, sd, args))
		require.NoError(t, reference.Build(theirs, sd, args))
		require.Equal(t, reference.ParamValues, mine.ParamValues)
	}
}

func repeat[T any](n int, value T) []T {
	all := make([]T, n)
	for i := range all {
		all[i] = value
	}
	return all
}

// What one statement needed is there for the next, within a bound.
func TestMemoryForArraysIsKept(t *testing.T) {
	t.Parallel()
	r := &room{}
	for _, c := range []struct {
		size int
		kept bool
	}{{100_000, true}, {50_000, true}, {mostKept + 1, false}, {100_000, true}} {
		before := r.kept
		buf := r.in(make([]byte, 10, 256), c.size)
		require.GreaterOrEqual(t, cap(buf), 10+c.size)
		require.Len(t, buf, 10)
		if c.kept && before != nil {
			require.Same(t, &before[:1][0], &buf[0])
		}
		require.LessOrEqual(t, cap(r.kept), mostKept)
	}
}
