// Package hook calls the endpoints of Subscriptions over HTTP, and only those that the
// site has put on its list.
//
// It knows URLs, addresses and HTTP; it must not know what is sent, to whom or when.
//
// A URL is held against the list by its parts, never as text: scheme, host and port are
// the same, and the path begins with that of the entry, step by step. The address is
// checked when the connection is made, after the name was resolved, so that a name can't
// be pointed elsewhere in between. No redirect is followed and no proxy asked. No error
// of this package holds a URL, a header or a body.
//
//	endpoints, err := hook.ParseEndpoints("https://screens.hospital.example/hooks/")
//	client := hook.NewClient(endpoints)
//	result := client.Send(ctx, call)
package hook
