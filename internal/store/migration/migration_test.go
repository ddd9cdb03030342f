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
	require.Equal(t, []migration.Step{{Version: 1, Name: "first", SQL: "first", Serves: 1}, {Version: 2, Name: "more", SQL: "second", Serves: 1}}, got)
}

func TestReadTellsWhoCanServe(t *testing.T) {
	got, err := migration.Read(fstest.MapFS{
		"m/001_a.up.sql": {Data: []byte("-- serves: 1\nfirst")},
		"m/002_b.up.sql": {Data: []byte("-- Why it is so.\n-- online\n\nCREATE a;\n  CREATE b;\n")},
		"m/003_c.up.sql": {Data: []byte("-- serves: 2\nthird;\n-- serves: 3\n-- online\n")},
		"m/004_d.up.sql": {Data: []byte("fourth")},
	}, "m")
	require.NoError(t, err)
	var serves []int
	var online []bool
	for _, s := range got {
		serves, online = append(serves, s.Serves), append(online, s.Online)
	}
	require.Equal(t, []int{1, 1, 2, 2}, serves)
	require.Equal(t, []bool{false, true, false, false}, online)
	require.Equal(t, []string{"-- Why it is so.\n-- online\n\nCREATE a", "  CREATE b"}, got[1].Statements())
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

func TestReadRefusesWhatCannotServe(t *testing.T) {
	for _, head := range []string{"-- serves: 3", "-- serves: 0", "-- serves: all", "-- serves: 1"} {
		_, err := migration.Read(fstest.MapFS{
			"m/001_a.up.sql": {Data: []byte("first")},
			"m/002_b.up.sql": {Data: []byte("-- serves: 2\nsecond")},
			"m/003_c.up.sql": {Data: []byte("third")},
			"m/004_d.up.sql": {Data: []byte(head)},
		}, "m")
		if head == "-- serves: 3" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, "serves must be a version from 2 to 4", head)
	}
}
