package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// SQLSTATEs: https://www.postgresql.org/docs/current/errcodes-appendix.html.
func TestKindOf(t *testing.T) {
	tests := []struct {
		name string
		err  error
		want outcome.Code
	}{
		{"serialization_failure", &pgconn.PgError{Code: "40001"}, outcome.CodeTransient},
		{"statement_completion_unknown", &pgconn.PgError{Code: "40003"}, outcome.CodeNoStore},
		{"deadlock_detected", &pgconn.PgError{Code: "40P01"}, outcome.CodeLockError},
		{"lock_not_available", &pgconn.PgError{Code: "55P03"}, outcome.CodeLockError},
		{"query_canceled", &pgconn.PgError{Code: "57014"}, outcome.CodeTransient},
		{"admin_shutdown", &pgconn.PgError{Code: "57P01"}, outcome.CodeNoStore},
		{"crash_shutdown", &pgconn.PgError{Code: "57P02"}, outcome.CodeNoStore},
		{"cannot_connect_now", &pgconn.PgError{Code: "57P03"}, outcome.CodeNoStore},
		{"too_many_connections", &pgconn.PgError{Code: "53300"}, outcome.CodeTransient},
		{"disk_full", &pgconn.PgError{Code: "53100"}, outcome.CodeNoStore},
		{"read_only_sql_transaction", &pgconn.PgError{Code: "25006"}, outcome.CodeNoStore},
		{"idle_in_transaction_session_timeout", &pgconn.PgError{Code: "25P03"}, outcome.CodeTransient},
		{"transaction_timeout", &pgconn.PgError{Code: "25P04"}, outcome.CodeTransient},
		{"internal_error", &pgconn.PgError{Code: "XX000"}, outcome.CodeNoStore},
		{"data_corrupted", &pgconn.PgError{Code: "XX001"}, outcome.CodeNoStore},
		{"connection_failure", &pgconn.PgError{Code: "08006"}, outcome.CodeNoStore},
		{"unique_violation", &pgconn.PgError{Code: "23505"}, outcome.CodeException},
		{"undefined_table", &pgconn.PgError{Code: "42P01"}, outcome.CodeException},
		{"broken connection", io.ErrUnexpectedEOF, outcome.CodeNoStore},
		{"caller gave up", fmt.Errorf("query: %w", context.Canceled), outcome.CodeTransient},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := fault("op", fmt.Errorf("wrapped: %w", tt.err))
			require.Equal(t, tt.want, outcome.KindOf(got))
		})
	}
	require.NoError(t, fault("op", nil))
	require.NoError(t, unknown("op", nil))
	require.Equal(t, outcome.CodeNoStore, outcome.KindOf(unknown("commit", context.DeadlineExceeded)), "nobody knows the outcome")
}

func TestFaultKeepsValuesOutOfTheLog(t *testing.T) {
	err := fault("op", &pgconn.PgError{Code: "22021", Message: "message with Anna", Detail: "detail with Anna"})
	require.NotContains(t, err.Error(), "Anna")
	var e *outcome.Error
	require.True(t, errors.As(err, &e))
	require.Contains(t, e.Diagnostics, "message with Anna detail with Anna")
}

func TestWavesKeepSharedKeysApart(t *testing.T) {
	episode := func(id string) store.EpisodeChange { return store.EpisodeChange{ID: id} }
	changes := []store.Changeset{
		{Episodes: []store.EpisodeChange{episode("a")}, Inbox: &store.Inbox{ID: "1"}},
		{Episodes: []store.EpisodeChange{episode("b")}},
		{Episodes: []store.EpisodeChange{episode("a"), episode("c")}},
		{Episodes: []store.EpisodeChange{episode("c")}},
		{Resources: []store.Resource{{ID: "a"}}, Inbox: &store.Inbox{ID: "2"}},
		{Inbox: &store.Inbox{ID: "1"}, Resources: []store.Resource{{ID: "b"}}},
		{Identities: []store.Identity{{ID: "a"}}},
		{},
	}
	require.Equal(t, [][]int{{0, 1, 4, 6, 7}, {2, 5}, {3}}, waves(changes))
	require.Empty(t, waves(nil))
}

// What a commit finds out must be as new as the locks that it waited for (see Commit), so a
// session is READ COMMITTED whatever the URL says.
func TestSessionsAreReadCommitted(t *testing.T) {
	params := map[string]string{"default_transaction_isolation": "serializable", "lock_timeout": "3s"}
	setDefaults(params)
	require.Equal(t, "read committed", params["default_transaction_isolation"])
	require.Equal(t, "3s", params["lock_timeout"])
}
