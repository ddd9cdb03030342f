package migration_test

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/migration"
)

func TestReadGivesStepsInOrder(t *testing.T) {
	got, err := migration.Read(fstest.MapFS{
		"m/002_more.up.sql":  {Data: []byte("second")},
		"m/001_first.up.sql": {Data: []byte("first")},
	}, "m")
	require.NoError(t, err)
	require.Equal(t, []migration.Step{{1, "first", "first"}, {2, "more", "second"}}, got)
}

func TestReadRefuses(t *testing.T) {
	tests := []struct {
		name  string
		files []string
		want  string
	}{
		{"gap", []string{"001_a.up.sql", "003_b.up.sql"}, "expected number 002"},
		{"repeat", []string{"001_a.up.sql", "001_b.up.sql"}, "expected number 002"},
		{"start", []string{"002_a.up.sql"}, "expected number 001"},
		{"name", []string{"1_a.sql"}, "NNN_name.up.sql"},
		{"nothing", nil, "read migrations"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			files := fstest.MapFS{}
			for _, f := range tt.files {
				files["m/"+f] = &fstest.MapFile{}
			}
			_, err := migration.Read(files, "m")
			require.ErrorContains(t, err, tt.want)
		})
	}
}
