package events

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
)

func TestVerdictOn(t *testing.T) {
	want := map[outcome.Code]verdict{
		"":                          settled,
		outcome.CodeTransient:       putOff,
		outcome.CodeLockError:       putOff,
		outcome.CodeNoStore:         putOff,
		outcome.CodeTimeout:         putOff,
		outcome.CodeThrottled:       putOff,
		outcome.CodeConflict:        putOff,
		outcome.CodeException:       ourFault,
		outcome.CodeInvalid:         refused,
		outcome.CodeStructure:       refused,
		outcome.CodeRequired:        refused,
		outcome.CodeValue:           refused,
		outcome.CodeInvariant:       refused,
		outcome.CodeLogin:           refused,
		outcome.CodeUnknown:         refused,
		outcome.CodeExpired:         refused,
		outcome.CodeForbidden:       refused,
		outcome.CodeNotSupported:    refused,
		outcome.CodeDuplicate:       refused,
		outcome.CodeMultipleMatches: refused,
		outcome.CodeNotFound:        refused,
		outcome.CodeDeleted:         refused,
		outcome.CodeTooLong:         refused,
		outcome.CodeCodeInvalid:     refused,
		outcome.CodeTooCostly:       refused,
		outcome.CodeBusinessRule:    refused,
		outcome.CodeInformational:   refused,
	}
	for kind, want := range want {
		t.Run("kind "+string(kind), func(t *testing.T) {
			require.Equal(t, want, verdictOn(kind))
		})
	}
}
