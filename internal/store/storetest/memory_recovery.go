package storetest

import (
	"context"
	"time"
)

// Settled looks at every entry of the inbox.
func (m *Memory) Settled(_ context.Context, stream time.Time) (n int64, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, in := range m.model.inbox {
		if in.Stream.Equal(stream) {
			n = max(n, in.Settled)
		}
	}
	return n, nil
}

// Newest looks at every current version.
func (m *Memory) Newest(context.Context) (version int64, at time.Time, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range m.current() {
		version = max(version, r.Version)
		if r.Updated.After(at) {
			at = r.Updated
		}
	}
	return version, at, nil
}

// RaiseVersions remembers the higher one.
func (m *Memory) RaiseVersions(_ context.Context, told int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.told = max(m.told, told)
	return nil
}

// ToldVersions gives it.
func (m *Memory) ToldVersions(context.Context) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.told, nil
}
