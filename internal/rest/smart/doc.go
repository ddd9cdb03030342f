// Package smart is the resource server's side of SMART App Launch 2.2 (Backend Services,
// and tokens that an authorization server issued for a user): it says who a Bearer token
// speaks for, and what its scopes allow.
//
// It knows JWT, JWKS and scopes; it must not know routes, stores or how a refusal becomes
// an HTTP answer. Everything that is not surely allowed is refused.
//
//	keys := smart.NewKeys(smart.KeyOptions{URL: "https://issuer.example/jwks"})
//	tokens := smart.NewVerifier(smart.VerifierOptions{Issuer: issuer, Audience: base, Keys: keys})
//	caller, err := tokens.Verify(ctx, token)
//	err = caller.Scopes.Check("Task", smart.Update)
package smart
