package embedded

import (
	"database/sql"
	"time"
)

// micros is an instant as it is stored.
func micros(t time.Time) int64 { return t.UnixMicro() }

// maybeMicros is an instant, NULL for the zero time.
func maybeMicros(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMicro(), Valid: !t.IsZero()}
}

func instant(micros int64) time.Time { return time.UnixMicro(micros).UTC() }

func maybeInstant(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return instant(n.Int64)
}
