package embedded_test

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/storetest"
)

func TestPurgeLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	st := mustOpen(t, dir)
	db, err := sql.Open("sqlite", filepath.Join(dir, "store.db"))
	require.NoError(t, err)
	defer db.Close() //nolint:errcheck // asked and answered
	ask := func(query string, args ...any) (found []string) {
		rows, err := db.QueryContext(t.Context(), query, args...)
		require.NoError(t, err)
		defer rows.Close()
		for rows.Next() {
			var name string
			require.NoError(t, rows.Scan(&name))
			found = append(found, name)
		}
		require.NoError(t, rows.Err())
		return found
	}
	storetest.PurgeLeavesNothing(t, st, func(text string) (named []string) {
		for _, table := range ask(`SELECT name FROM sqlite_master WHERE type = 'table'`) {
			columns := strings.Join(ask(`SELECT 'coalesce(' || name || ', char(32))' FROM pragma_table_info(?)`, table), " || char(32) || ")
			if len(ask(`SELECT 1 FROM `+table+` WHERE `+columns+` LIKE ?`, "%"+text+"%")) > 0 {
				named = append(named, table)
			}
		}
		return named
	})
}
