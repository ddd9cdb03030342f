package outcome

import "fmt"

// Severity is OperationOutcome.issue.severity, required binding
// http://hl7.org/fhir/ValueSet/issue-severity.
type Severity string

// The four severities, R4 spelling.
const (
	SeverityFatal       Severity = "fatal"
	SeverityError       Severity = "error"
	SeverityWarning     Severity = "warning"
	SeverityInformation Severity = "information"
)

// Code is OperationOutcome.issue.code, required binding
// http://hl7.org/fhir/ValueSet/issue-type.
type Code string

// The issue types that fhirsvc uses, R4 spelling.
const (
	CodeInvalid         Code = "invalid"
	CodeStructure       Code = "structure"
	CodeRequired        Code = "required"
	CodeValue           Code = "value"
	CodeInvariant       Code = "invariant"
	CodeLogin           Code = "login"
	CodeUnknown         Code = "unknown"
	CodeExpired         Code = "expired"
	CodeForbidden       Code = "forbidden"
	CodeNotSupported    Code = "not-supported"
	CodeDuplicate       Code = "duplicate"
	CodeMultipleMatches Code = "multiple-matches"
	CodeNotFound        Code = "not-found"
	CodeDeleted         Code = "deleted"
	CodeTooLong         Code = "too-long"
	CodeCodeInvalid     Code = "code-invalid"
	CodeTooCostly       Code = "too-costly"
	CodeBusinessRule    Code = "business-rule"
	CodeConflict        Code = "conflict"
	CodeTransient       Code = "transient"
	CodeLockError       Code = "lock-error"
	CodeNoStore         Code = "no-store"
	CodeException       Code = "exception"
	CodeTimeout         Code = "timeout"
	CodeThrottled       Code = "throttled"
	CodeInformational   Code = "informational"
)

// Codes gives the codes of what went wrong, in the order above: all but informational.
func Codes() []Code {
	return []Code{
		CodeInvalid, CodeStructure, CodeRequired, CodeValue, CodeInvariant, CodeLogin, CodeUnknown, CodeExpired, CodeForbidden,
		CodeNotSupported, CodeDuplicate, CodeMultipleMatches, CodeNotFound, CodeDeleted, CodeTooLong, CodeCodeInvalid, CodeTooCostly,
		CodeBusinessRule, CodeConflict, CodeTransient, CodeLockError, CodeNoStore, CodeException, CodeTimeout, CodeThrottled,
	}
}

// Issue is one fault in somebody's content. Details is a sentence that tells a
// person what to do and may be logged; Diagnostics may quote the content and so
// may hold personal data: allowed in a response, never in a log.
type Issue struct {
	Severity    Severity
	Code        Code
	Expression  string // FHIRPath of the element, "" when the whole is meant
	Details     string
	Diagnostics string
	Rule        string // the published rule, such as "obs-6" or "required"; "" when none
	Line        int    // 1-based line of the element in the received bytes, 0 when unknown
	Col         int    // 1-based column in bytes, 0 when unknown
}

// String is the issue on one line, without Diagnostics, so that it may be logged.
func (i Issue) String() string {
	if i.Expression == "" {
		return fmt.Sprintf("%s %s: %s", i.Severity, i.Code, i.Details)
	}
	return fmt.Sprintf("%s %s at %s: %s", i.Severity, i.Code, i.Expression, i.Details)
}

// Errorf returns an error-level issue with a formatted Details text.
func Errorf(code Code, expression, format string, args ...any) Issue {
	return Issue{Severity: SeverityError, Code: code, Expression: expression, Details: fmt.Sprintf(format, args...)}
}

// Warnf returns a warning-level issue with a formatted Details text.
func Warnf(code Code, expression, format string, args ...any) Issue {
	return Issue{Severity: SeverityWarning, Code: code, Expression: expression, Details: fmt.Sprintf(format, args...)}
}

// HasErrors reports whether any issue is of severity error or fatal.
func HasErrors(issues []Issue) bool {
	for _, i := range issues {
		if i.Severity == SeverityError || i.Severity == SeverityFatal {
			return true
		}
	}
	return false
}
