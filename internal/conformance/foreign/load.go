package foreign

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Load sends the package's transaction to a server, and reads each of its resources back. It gives
// what is there now, as Type/id. An error names what was not accepted or is not the same.
func Load(ctx context.Context, base, folder string) (map[string]bool, error) {
	body, err := os.ReadFile(filepath.Join(folder, "transaction.json"))
	if err != nil {
		return nil, err
	}
	sent, err := decode(body)
	if err != nil {
		return nil, err
	}
	answer, err := call(ctx, http.MethodPost, base, body, nil)
	if err != nil {
		return nil, fmt.Errorf("the package was not taken: %w", err)
	}
	entries, answers := list(sent["entry"]), list(answer["entry"])
	if len(answers) != len(entries) {
		return nil, fmt.Errorf("the server answered %d of %d entries", len(answers), len(entries))
	}
	loaded := map[string]bool{}
	var faults []string
	for n, e := range entries {
		r := object(object(e)["resource"])
		response := object(object(answers[n])["response"])
		if status := text(response["status"]); !strings.HasPrefix(status, "20") {
			faults = append(faults, nameOf(r)+": "+status)
		}
		// At the version that was written: HAPI FHIR answers a plain read of an OperationDefinition
		// with its own operations alone.
		at := text(response["location"])
		if !strings.HasPrefix(strings.TrimPrefix(at, base+"/"), nameOf(r)+"/_history/") {
			return nil, fmt.Errorf("%s was written to %s", nameOf(r), at)
		}
		there, err := call(ctx, http.MethodGet, base+"/"+strings.TrimPrefix(at, base+"/"), nil, nil)
		if err != nil {
			return nil, err
		}
		for _, d := range differences("", stripped(r), stripped(there)) {
			faults = append(faults, nameOf(r)+" "+d)
		}
		loaded[nameOf(r)] = true
	}
	slices.Sort(faults)
	if faults != nil {
		return nil, fmt.Errorf("%d faults:\n%s", len(faults), strings.Join(faults, "\n"))
	}
	return loaded, nil
}
