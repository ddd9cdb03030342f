package foreign

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"strings"
)

// Correct corrects a finding at the service as a charting screen does: "air" writes down once more what
// was let out or put in last, as corrected; "error" takes the last look at the site back.
func Correct(ctx context.Context, base, what string) error {
	code, status := "access-site-bleeding", "entered-in-error"
	if what == "air" {
		code, status = "band-air-volume", "corrected"
	}
	found, err := search(ctx, base, "Observation?_sort=-date&_count=200&code="+code)
	if err != nil {
		return err
	}
	if len(found) == 0 {
		return errors.New("there is no " + code)
	}
	r := maps.Clone(found[0])
	r["status"] = status
	r["note"] = []any{Resource{"text": "Read again & noted: <1.50> mL, \"as before\"  "}}
	return put(ctx, base, r)
}

// elsewhere is what somebody else writes.
const elsewhere = "Written by somebody else."

// Edit changes a copy as somebody else would who works with the other server: an open Task gets a note.
func Edit(ctx context.Context, base string, before map[string]bool) error {
	found, err := search(ctx, base, "Task?status=ready,draft,on-hold&_count=200")
	if err != nil {
		return err
	}
	for _, r := range found {
		if !before[nameOf(r)] && strings.Contains(known(r), "release-step") {
			r["note"] = []any{Resource{"text": elsewhere}}
			return put(ctx, base, r)
		}
	}
	return errors.New("there is no open release step")
}

// Edited reports whether what Edit wrote is still there.
func Edited(ctx context.Context, base string) (bool, error) {
	found, err := search(ctx, base, "Task?_count=200")
	for _, r := range found {
		if notes := list(r["note"]); len(notes) == 1 && object(notes[0])["text"] == elsewhere {
			return true, err
		}
	}
	return false, err
}

func put(ctx context.Context, base string, r Resource) error {
	body, err := encode(r)
	if err != nil {
		return err
	}
	_, err = call(ctx, http.MethodPut, base+"/"+nameOf(r), body, http.Header{"If-Match": {`W/"` + text(object(r["meta"])["versionId"]) + `"`}})
	return err
}
