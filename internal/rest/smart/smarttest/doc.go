// Package smarttest is an authorization server for tests: it has keys, serves them, and
// signs whatever it is asked to, the wrong things too.
//
// It knows JOSE; it must not be imported outside of tests.
//
//	issuer := smarttest.NewIssuer(t)
//	token := issuer.Token(smarttest.Claims{"scope": "system/Task.rs"})
package smarttest
