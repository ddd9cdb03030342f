package fhir

import "time"

// chartedAccess is a nurse's screen that entered a finding.
func chartedAccess(at time.Time) Access {
	return Access{
		At: at, Interaction: "create", Outcome: AccessSuccess,
		Client: "ward-screens", User: "u-204", Issuer: "https://issuer.example", Token: "t-9", Address: "192.0.2.7", Trace: "r-1",
		Server: "https://fhirsvc.example/fhir", Type: "Observation", Data: "Observation/o1/_history/1",
		Patient: []string{"Patient/p1"}, Unit: "https://hospital.example/units|day-ward",
	}
}

// searchAccess is a system that looked for a patient's Tasks.
func searchAccess(at time.Time) Access {
	return Access{
		At: at, Interaction: "search-type", Outcome: AccessSuccess, Client: "board", Issuer: "https://issuer.example",
		Trace: "r-2", Type: "Task", Query: "Task?patient&status", Patient: []string{"Patient/p1"},
	}
}

// deniedAccess is what nobody known tried again and again.
func deniedAccess(at time.Time) Access {
	return Access{
		At: at, Interaction: "read", Outcome: AccessRefused, Why: "login", Alert: true, Address: "192.0.2.66",
		Type: "Task", Times: 412,
	}
}

// removedAccess is a command that removed an old episode.
func removedAccess(at time.Time) Access {
	return Access{
		At: at, Interaction: "delete", Outcome: AccessSuccess, Client: "fhirsvc purge", User: "ops", Host: "db-admin-1", Trace: "r-3",
		Data: "CarePlan/c1", Included: []string{"Procedure/x1"}, Patient: []string{"Patient/p1"}, Unit: "https://hospital.example/units|day-ward",
		Query:   "purge --episodes 3650: nothing was stored since 2016-11-27T12:00:00Z",
		Episode: "e1", Removed: []Removal{{"CarePlan", 1}, {"Procedure", 1}, {"Task", 31}},
	}
}
