package rest

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// get answers a GET entry.
func (b *batch) get(ctx context.Context, address string) (reply, error) {
	path, query, err := parts(address)
	if err != nil {
		return reply{}, err
	}
	if _, known := serves(path[0], interactionRead); !known {
		return reply{}, refuse(http.StatusNotFound, outcome.CodeNotSupported, "resources of this type are not served")
	}
	switch {
	case len(path) == 1:
		return b.searchset(ctx, b.base, path[0], query, handling(b.header))
	case len(path) == 2 && path[1] == "_history":
		return b.versionsOfType(ctx, b.base, path[0], query)
	case len(path) == 2:
		return b.current(ctx, path[0], path[1], query)
	case len(path) == 3 && path[2] == "_history":
		return b.versions(ctx, b.base, path[0], path[1], query)
	case len(path) == 4 && path[2] == "_history":
		return b.version(ctx, path[0], path[1], path[3], query)
	}
	return reply{}, notThere()
}

// checkGet finds what is wrong with a GET entry before anything is done.
func (b *batch) checkGet(ctx context.Context, address string) error {
	path, query, err := parts(address)
	if err != nil {
		return err
	}
	if _, known := serves(path[0], interactionRead); !known {
		return refuse(http.StatusNotFound, outcome.CodeNotSupported, "resources of this type are not served")
	}
	switch last := path[len(path)-1]; {
	case last == "_history" && len(path) == 2:
		_, wrong := b.past(strings.Join(path, "/"), query)
		return b.mayLook(ctx, interactionHistoryType, path[0], wrong)
	case last == "_history":
		_, wrong := b.past(strings.Join(path, "/"), query)
		return b.mayLook(ctx, interactionHistory, path[0], wrong)
	case len(path) > 1:
		_, wrong := viewed(path[0], query)
		return b.mayLook(ctx, interactionRead, path[0], wrong)
	}
	if err := b.mayLook(ctx, interactionSearch, path[0], nil); err != nil {
		return err
	}
	a, err := b.ask(b.base, path[0], query, handling(b.header))
	if err != nil {
		return err
	}
	if _, err = mayReach(callOf(ctx), &a); err != nil {
		b.noteRefused(ctx, interactionSearch, path[0], err)
	}
	return err
}

func parts(address string) (path []string, query url.Values, err error) {
	raw, search, _ := strings.Cut(address, "?")
	query, err = url.ParseQuery(search)
	if err != nil {
		return nil, nil, outcome.Fail(outcome.CodeInvalid, "", "request.url can't be read")
	}
	return strings.Split(strings.Trim(raw, "/"), "/"), query, nil
}
