package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// A connection can be lost without a word: a gateway forgets it, a machine is gone. TCP
// finds that out after many minutes, if at all; these limits do in seconds.
const (
	// answerLimit is how long a call waits for the server beyond the 30 s that the server
	// gives a statement.
	answerLimit = 35 * time.Second
	// connectLimit is how long it may take to be let in.
	connectLimit = 10 * time.Second
	// pingLimit is how long a connection that was idle for a second has to prove itself
	// before it is used.
	pingLimit = 2 * time.Second
	// closeLimit is how long Close waits for calls under way.
	closeLimit = 2 * time.Second
)

// boundSilence makes calls and idle connections fail that the server is silent on.
func boundSilence(config *pgxpool.Config, limit time.Duration) {
	config.PingTimeout = pingLimit
	config.ConnConfig.ConnectTimeout = min(config.ConnConfig.ConnectTimeout, connectLimit)
	config.ConnConfig.Tracer = bounded{limit}
}

// bounded gives every statement and batch an end, through the hooks that pgx has for
// tracing: the context that they return is the one that the call goes on with.
type bounded struct{ limit time.Duration }

var (
	_ pgx.QueryTracer = bounded{}
	_ pgx.BatchTracer = bounded{}
)

type endKey struct{}

func (b bounded) begin(ctx context.Context) context.Context {
	ctx, end := context.WithTimeout(ctx, b.limit)
	return context.WithValue(ctx, endKey{}, end)
}

func (bounded) end(ctx context.Context) {
	if end, ok := ctx.Value(endKey{}).(context.CancelFunc); ok {
		end()
	}
}

// TraceQueryStart begins the time of a statement.
func (b bounded) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return b.begin(ctx)
}

// TraceQueryEnd ends it.
func (b bounded) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryEndData) {
	b.end(ctx)
}

// TraceBatchStart begins the time of a batch.
func (b bounded) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return b.begin(ctx)
}

// TraceBatchQuery has nothing to do: the time is that of the whole batch.
func (bounded) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd ends it.
func (b bounded) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchEndData) {
	b.end(ctx)
}
