package delivery

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

// unheardChanges come without end, and nobody listens.
type unheardChanges struct{ looks, most int }

func (u *unheardChanges) MatchOutbox(context.Context, int, store.Matcher) (int, error) {
	if u.looks++; u.looks > u.most {
		return 0, nil
	}
	return 1, nil
}

// While it runs a matcher to whom nobody listens leaves the changes to the relay; at its end it
// does what there is at once.
func TestUnheardChangesAreLeftToTheRelay(t *testing.T) {
	t.Parallel()
	log := slog.New(slog.DiscardHandler)
	synctest.Test(t, func(t *testing.T) {
		c := &unheardChanges{most: 1 << 30}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second-1)
		defer cancel()
		NewMatcher(c, everyone, func() { t.Error("nobody listens") }, log).Run(ctx)
		require.Equal(t, 10, c.looks, "one look a second")

		c, begun := &unheardChanges{most: 20}, time.Now()
		require.NoError(t, NewMatcher(c, everyone, func() { t.Error("nobody listens") }, log).Drain(t.Context()))
		require.Equal(t, 21, c.looks)
		require.Zero(t, time.Since(begun))
	})
}
