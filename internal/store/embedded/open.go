package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // registers the driver "sqlite"

	"fhirsvc/internal/store"
)

// readers bounds the connections that read beside the writer.
const readers = 4

// Store is the embedded store. Its methods may be called from many goroutines.
type Store struct {
	lock  *os.File
	write *sql.DB // one connection: SQLite has one writer
	read  *sql.DB
}

var _ store.Store = (*Store)(nil)

// Open opens the store in a folder, which it creates if it is not there, and brings it
// to this version's schema. It fails when another process has the folder open, or when
// a newer version wrote it.
func Open(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("open embedded store: %w", err)
	}
	held, err := lock(dir)
	if err != nil {
		return nil, err
	}
	file, err := filepath.Abs(filepath.Join(dir, "store.db"))
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open embedded store: %w", err), held.Close())
	}
	s, err := openLocked(file)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open embedded store: %w", err), held.Close())
	}
	s.lock = held
	return s, nil
}

func openLocked(file string) (*Store, error) {
	write, err := sql.Open("sqlite", dsn(file, "journal_mode(WAL)", "synchronous(FULL)"))
	if err != nil {
		return nil, err
	}
	write.SetMaxOpenConns(1)
	if err := migrate(context.Background(), write); err != nil {
		return nil, errors.Join(err, write.Close())
	}
	read, err := sql.Open("sqlite", dsn(file, "query_only(1)"))
	if err != nil {
		return nil, errors.Join(err, write.Close())
	}
	read.SetMaxOpenConns(readers)
	return &Store{write: write, read: read}, nil
}

// dsn names a database file, by its absolute path, with settings for each of its connections. A transaction
// takes the write lock at its start: one that upgrades later can't be made to wait.
func dsn(file string, pragmas ...string) string {
	q := url.Values{"_txlock": {"immediate"}, "_pragma": append(pragmas, "busy_timeout(10000)")}
	return (&url.URL{Scheme: "file", Path: file, RawQuery: q.Encode()}).String()
}

// Ping reports whether the store can be written to now.
func (s *Store) Ping(ctx context.Context) error {
	tx, err := s.write.BeginTx(ctx, nil) // takes the write lock
	if err != nil {
		return fault("ping", err)
	}
	return fault("ping", tx.Rollback())
}

// Close ends all connections and gives the lock back.
func (s *Store) Close() {
	// Nothing can be lost here, and nobody could act on a failure: every commit is on
	// the disk already.
	_ = s.read.Close()
	_ = s.write.Close()
	_ = s.lock.Close()
}
