package main

// audit is the record of an access. It asks for less than IHE's Basic Audit Log Patterns
// (profiles.ihe.net/ITI/BALP), whose entities name also what was refused and all that was
// searched for, and allows less than R4: nobody's name.
func audit() []profile {
	return []profile{{
		id: "access-record", name: "AccessRecord", title: "Record of an access", kind: "AuditEvent",
		description: "Who read, searched or changed what, or tried to. People are named by what the issuer of their token " +
			"calls them, or by the account that ran a command, and patients by reference.",
		rules: []rule{
			{id: "AuditEvent", constraints: []constraint{
				must("acc-1", "One agent asked for it", "agent.where(requestor = true).count() = 1"),
				must("acc-2", "What was not done says why", "outcome = '0' or outcomeDesc.exists()"),
				must("acc-3", "What was done says which interaction it was", "outcome != '0' or subtype.exists()"),
			}},
			{id: "AuditEvent.text", card: "0..0"},
			{id: "AuditEvent.action", card: "1..1", must: true},
			{id: "AuditEvent.outcome", card: "1..1", must: true},
			{id: "AuditEvent.outcomeDesc", short: "The issue code of the refusal", must: true},
			{id: "AuditEvent.agent", card: "2..*", short: "The client, the service, and the user if there is one", must: true},
			{id: "AuditEvent.agent.type", card: "1..1", must: true},
			{id: "AuditEvent.agent.who", card: "1..1", must: true},
			{id: "AuditEvent.agent.altId", card: "0..0"},
			{id: "AuditEvent.agent.name", card: "0..0"},
			{id: "AuditEvent.agent.policy", short: "The id of the token (jti)", must: true},
			{id: "AuditEvent.source.type", card: "1..*", must: true},
			{id: "AuditEvent.entity", short: "The request's id, the version, its patient, the query, the unit", must: true},
			{id: "AuditEvent.entity.type", card: "1..1", must: true},
			{id: "AuditEvent.entity.description", card: "0..0"},
		},
	}}
}
