package smart_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart"
)

// What a scope grants, after SMART App Launch 2.2, "Scopes for requesting FHIR Resources"
// and its mapping of version 1; granted are the letters on Task.
func TestScopes(t *testing.T) {
	t.Parallel()
	tests := []struct{ scope, task, patient string }{
		{"", "", ""},
		{"system/Task.rs", "rs", ""},
		{"user/Task.cruds", "cruds", ""},
		{"system/Task.u system/Task.r", "ru", ""},
		{"system/*.rs", "rs", "rs"},
		{"system/Task.read", "rs", ""},
		{"system/Task.write", "cud", ""},
		{"system/Task.*", "cruds", ""},
		{"system/*.*", "cruds", "cruds"},
		{"user/*.read system/Task.write", "cruds", "rs"},
		// Letters out of order, twice, or unknown are no scope.
		{"system/Task.sr", "", ""},
		{"system/Task.rr", "", ""},
		{"system/Task.rx", "", ""},
		{"system/Task.", "", ""},
		{"system/Task", "", ""},
		{"system/task.rs", "", ""},
		{"system/Ta sk.rs", "", ""},
		{"System/Task.rs", "", ""},
		{"system/.rs", "", ""},
		{"system/**.rs", "", ""},
		// Not for this service.
		{"patient/Task.rs", "", ""},
		{"launch/patient openid fhirUser offline_access online_access", "", ""},
		// Narrower than what can be told apart here.
		{"system/Task.rs?status=ready", "", ""},
		{"system/Task.rs?", "", ""},
		{"system/Task.r system/Task.rs?status=ready", "r", ""},
		{strings.Repeat("system/Task.rs ", 1000), "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.scope[:min(len(tt.scope), 60)], func(t *testing.T) {
			s := smart.ParseScopes(tt.scope)
			got := map[string]string{}
			for _, resourceType := range []string{"Task", "Patient"} {
				for _, p := range "cruds" {
					if s.Allows(resourceType, smart.Permission(p)) {
						got[resourceType] += string(p)
					}
				}
			}
			require.Equal(t, tt.task, got["Task"])
			require.Equal(t, tt.patient, got["Patient"])
		})
	}
}

func TestARefusalNamesTheScope(t *testing.T) {
	t.Parallel()
	err := smart.ParseScopes("system/Task.rs").Check("Task", smart.Update)
	require.Equal(t, outcome.CodeForbidden, outcome.KindOf(err))
	require.ErrorContains(t, err, "the scope system/Task.u is needed")
	require.NotContains(t, err.Error(), "narrow")
	err = smart.ParseScopes("system/Task.rus?status=ready").Check("Task", smart.Update)
	require.ErrorContains(t, err, "too narrow")
	require.Error(t, smart.Scopes{}.Check("Task", smart.Read), "the zero value allows nothing")
	require.NoError(t, smart.AllScopes().Check("AuditEvent", smart.Read))
}

// The audit trail is no part of "every type" (IHE BALP, Security Considerations).
func TestAuditEventsMustBeNamed(t *testing.T) {
	t.Parallel()
	require.Error(t, smart.ParseScopes("system/*.cruds").Check("AuditEvent", smart.Search))
	require.NoError(t, smart.ParseScopes("system/AuditEvent.rs").Check("AuditEvent", smart.Search))
}
