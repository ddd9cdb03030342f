// Package scale holds what the service promises on a full PostgreSQL: tens of thousands of
// finished episodes must not slow the ward down. It has tests alone.
//
// Some episodes are played by the product itself (the episode service, its timers, the HTTP
// edge, people of sandbox/bedside) on a clock that costs nothing. Their rows are read back
// and copied under other ids, numbers and days until the database is as full as was asked
// for. Due times of many episodes at once and senders who all tell of one person are tried here,
// too. The relay, the broker and
// what is wrong at the bedside are for others.
//
//	go test ./internal/scale -scale.finished 50000 -scale.open 5000
package scale
