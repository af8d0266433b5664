//go:generate go run ./icondraw

// Package web holds the page: modules, styles and icons as they are written,
// and the handler that serves them, packed and compressed, to phones.
package web

import (
	"embed"
	"io/fs"
)

// The page's own files, and none of its tests or tools.
//
//go:embed index.html app.js manifest.webmanifest app icons offline press rules sound store style sync tape views
var files embed.FS

// Source gives the page's files as they are written.
func Source() fs.FS { return files }
