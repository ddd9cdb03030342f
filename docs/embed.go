// Package docs holds the pages for readers, so that a running service can show those of its
// own version.
package docs

import "embed"

// Pages are the pages, Markdown, by file name such as api.md.
//
//go:embed *.md
var Pages embed.FS
