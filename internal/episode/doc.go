// Package episode is the one imperative path: whichever door an input came through, it
// is decoded, validated, placed in its episode, stepped by the core, rendered to R4,
// validated again and committed in one transaction.
//
// It knows the order of these steps, placement, repeats and retries; it must not know
// transport, SQL or any clinical rule.
//
//	answer, err := svc.Message(ctx, episode.Message{Body: body, Door: episode.DoorHTTP})
package episode
