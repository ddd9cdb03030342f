// Package api is what fhirsvc publishes: the local code system and its value sets, the
// profiles that resources are held to, invented examples of them, the search parameters
// of its own, and the starter protocols. A starter is a draft: no site has approved it.
//
// It knows the files and nothing of what they say.
//
//	for name, body := range api.Protocols() {
//		protocol, issues := fhir.ParseProtocol(body)
//	}
package api
