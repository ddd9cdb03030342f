package postgres

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Store is the PostgreSQL store. Its methods may be called from many goroutines.
type Store struct {
	pool    *pgxpool.Pool
	packing packing
}

var _ store.Store = (*Store)(nil)

// Open connects to a database that has this release's schema. It refuses another
// schema and unsafe settings (see Unsafe), saying which.
func Open(ctx context.Context, url string) (*Store, error) {
	return openWithin(ctx, url, answerLimit)
}

func openWithin(ctx context.Context, url string, limit time.Duration) (*Store, error) {
	const op = "open store"
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", op, err) // pgx leaves the password out
	}
	if !strings.Contains(url, "pool_max_conns") {
		config.MaxConns = int32(max(8, 4*runtime.GOMAXPROCS(0))) // more only add waiting
	}
	setDefaults(config.ConnConfig.RuntimeParams)
	config.AfterConnect = setTypes
	boundSilence(config, limit)
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fault(op, err)
	}
	s := &Store{pool: pool}
	if err := s.check(ctx); err != nil {
		pool.Close()
		return nil, fault(op, err)
	}
	return s, nil
}

func (s *Store) check(ctx context.Context) error {
	if err := checkSchema(ctx, s.pool); err != nil {
		return err
	}
	found, err := unsafeOf(ctx, s.pool)
	if err != nil {
		return err
	}
	if len(found) > 0 {
		return outcome.Fail(outcome.CodeBusinessRule, "check settings", "%s", strings.Join(found, "; "))
	}
	s.packing, err = packingOf(ctx, s.pool)
	return err
}

// setDefaults bounds what a session may hold up and how it plans, where the URL says
// nothing else. All statements but a search go by keys, and their plans are kept for the
// life of a connection: one made while a table was empty would read all of it for ever,
// so only plans by index are allowed. Nor are they planned anew for the values, which costs
// more than to run them (Search does all that for itself).
func setDefaults(params map[string]string) {
	defaults := map[string]string{
		"application_name":                    "fhirsvc",
		"statement_timeout":                   "30s",
		"lock_timeout":                        "10s",
		"idle_in_transaction_session_timeout": "10s",
		"tcp_keepalives_idle":                 "10", // a client that is gone holds no lock for long
		"tcp_keepalives_interval":             "5",
		"tcp_keepalives_count":                "3",
		"tcp_user_timeout":                    "20s",
		"enable_seqscan":                      "off",
		"enable_hashjoin":                     "off",
		"enable_mergejoin":                    "off",
		"jit":                                 "off",
		"plan_cache_mode":                     "force_generic_plan",
	}
	params["default_transaction_isolation"] = "read committed" // row locks and versions decide, not snapshots
	for name, value := range defaults {
		if _, given := params[name]; !given {
			params[name] = value
		}
	}
}

// setTypes has instants read as UTC, and arrays written in one piece.
func setTypes(_ context.Context, conn *pgx.Conn) error {
	m := conn.TypeMap()
	m.RegisterType(&pgtype.Type{
		Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
	})
	for _, a := range arrayTypes(m) {
		m.RegisterType(a)
	}
	return nil
}

// Ping reports whether the store can be written to now: the server is there, is no
// standby, takes writing transactions and has a schema on which this release works.
func (s *Store) Ping(ctx context.Context) error {
	var readOnly bool
	const query = `SELECT pg_is_in_recovery() OR current_setting('transaction_read_only')::boolean`
	if err := s.pool.QueryRow(ctx, query).Scan(&readOnly); err != nil {
		return fault("ping", err)
	}
	if readOnly {
		return outcome.Fail(outcome.CodeNoStore, "ping", "the database takes no writes (a standby, or set read-only)")
	}
	return fault("ping", checkSchema(ctx, s.pool))
}

// Close ends all connections, after the calls under way. For those that hang it waits a
// little, and leaves them to the end of the process.
func (s *Store) Close() {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		s.pool.Close()
	}()
	t := time.NewTimer(closeLimit)
	defer t.Stop()
	select {
	case <-closed:
	case <-t.C:
	}
}
