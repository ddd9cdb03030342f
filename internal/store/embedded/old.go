package embedded

import (
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/store"
)

// oldRows finds what may be removed, by a key of the table that holds it.
func oldRows(what store.Old) (table, key, where string) {
	switch what {
	case store.OldInbox: // where each stream stands is needed after a restore
		return "inbox", "(source, id)", `at < ?1 AND (settled IS NULL OR settled < (SELECT max(l.settled) FROM inbox l WHERE l.stream = x.stream))`
	case store.OldOutbox:
		return "outbox", "seq", `coalesce(queued_at, 0) < ?1 AND sent_at IS NOT NULL AND matched_at IS NOT NULL
AND NOT EXISTS (SELECT 1 FROM outbox_aside a WHERE a.seq = x.seq) AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.seq = x.seq)`
	case store.OldAudit:
		return "resource", "(type, id)", `type = 'AuditEvent' AND updated < ?1`
	}
	panic("store: unknown kind of old rows")
}

// CountOld counts what may be removed.
func (s *Store) CountOld(ctx context.Context, what store.Old, before time.Time) (n int, err error) {
	table, _, where := oldRows(what)
	err = s.read.QueryRowContext(ctx, `SELECT count(*) FROM `+table+` x WHERE `+where, micros(before)).Scan(&n)
	return n, fault("count old", err)
}

// RemoveOld removes at most limit of them.
func (s *Store) RemoveOld(ctx context.Context, what store.Old, before time.Time, limit int, record store.Recording) (n int, err error) {
	table, key, where := oldRows(what)
	columns := key
	if key[0] == '(' {
		columns = key[1 : len(key)-1]
	}
	err = s.writing(ctx, "remove old", func(tx *sql.Tx) error {
		gone, err := tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE `+key+` IN (SELECT `+columns+` FROM `+table+` x WHERE `+where+` LIMIT ?2)`, micros(before), limit)
		if err != nil {
			return err
		}
		removed, err := gone.RowsAffected()
		if n = int(removed); err != nil || n == 0 {
			return err
		}
		if what == store.OldAudit {
			for _, of := range []string{"resource_version", "search_index"} {
				if _, err := tx.ExecContext(ctx, `DELETE FROM `+of+` WHERE type = 'AuditEvent' AND id NOT IN (SELECT id FROM resource WHERE type = 'AuditEvent')`); err != nil {
					return err
				}
			}
		}
		r, err := record(n)
		if err != nil {
			return err
		}
		return keep(ctx, tx, r)
	})
	if err != nil {
		return 0, err
	}
	return n, nil
}
