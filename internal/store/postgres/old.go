package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// oldRows finds what may be removed, as rows of the table that holds it.
func oldRows(what store.Old) (table, where string) {
	switch what {
	case store.OldInbox: // where each stream stands is needed after a restore
		return "inbox", `at < $1 AND (settled IS NULL OR settled < (SELECT max(l.settled) FROM inbox l WHERE l.stream = x.stream))`
	case store.OldOutbox:
		return "outbox", `coalesce(queued_at, '-infinity') < $1 AND sent_at IS NOT NULL AND matched_at IS NOT NULL
AND NOT EXISTS (SELECT FROM outbox_aside a WHERE a.seq = x.seq) AND NOT EXISTS (SELECT FROM delivery d WHERE d.episode = x.episode AND d.seq = x.seq)`
	case store.OldAudit:
		return "resource", `type = 'AuditEvent' AND updated < $1`
	}
	panic("store: unknown kind of old rows")
}

// CountOld counts what may be removed.
func (s *Store) CountOld(ctx context.Context, what store.Old, before time.Time) (n int, err error) {
	table, where := oldRows(what)
	err = s.pool.QueryRow(ctx, `SELECT count(*) FROM `+table+` x WHERE `+where, before).Scan(&n)
	return n, fault("count old", err)
}

// RemoveOld removes at most limit of them.
func (s *Store) RemoveOld(ctx context.Context, what store.Old, before time.Time, limit int, record store.Recording) (n int, err error) {
	table, where := oldRows(what)
	some := `WITH gone AS MATERIALIZED (DELETE FROM ` + table + ` WHERE ctid IN (SELECT ctid FROM ` + table + ` x WHERE ` + where + ` LIMIT $2) RETURNING *)`
	if what == store.OldAudit {
		some += `, versions AS (DELETE FROM resource_version v USING gone WHERE v.type = gone.type AND v.id = gone.id)
, index AS (DELETE FROM search_index i USING gone WHERE i.type = gone.type AND i.id = gone.id)`
	}
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, some+` SELECT count(*) FROM gone`, before, limit).Scan(&n); err != nil || n == 0 {
			return err
		}
		r, err := record(n)
		if err != nil {
			return err
		}
		return s.keep(ctx, tx, &pgx.Batch{}, r)
	})
	if err != nil {
		return 0, fault("remove old", err)
	}
	return n, nil
}
