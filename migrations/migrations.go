// Package migrations holds the database's schema as numbered goose files.
//
// Files that were released are never edited: a change is a new file, written so
// that the program of before and the program of after can both run while it is
// rolled out.
package migrations

import "embed"

// Files are the migrations, in the root of the file system.
//
//go:embed *.sql
var Files embed.FS
