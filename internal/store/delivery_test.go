package store_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func TestWholeChangesCutNoInput(t *testing.T) {
	made := func(counts ...int) []store.Delivery {
		var all []store.Delivery
		for i, n := range counts {
			all = append(all, slices.Repeat([]store.Delivery{{Change: int64(i + 1)}}, n)...)
		}
		return all
	}
	for _, tt := range []struct {
		name  string
		made  []store.Delivery
		limit int
		open  bool
		want  int
	}{
		{"none", nil, 5, false, 0},
		{"all", made(2, 3), 5, false, 5},
		{"as many as fit", made(2, 3, 1), 5, false, 5},
		{"not a part of the second", made(2, 3), 4, false, 2},
		{"the first whole, above the limit", made(7, 1), 4, false, 7},
		{"the last may get more", made(2, 3), 9, true, 2},
		{"the only one may get more", made(3), 9, true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Len(t, store.WholeChanges(tt.made, tt.limit, tt.open), tt.want)
		})
	}
}
