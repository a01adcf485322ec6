// Package zone loads time zones from the copy of the IANA database that is
// compiled in, so that every host reads a local time in the same way whatever
// its own files say, and the same fleet gives the same plan everywhere.
//
// The database (zones.zip) and the name of its release (release.txt) are copied
// from the Go toolchain by generate.go; the IANA database is in the public
// domain. Only this package loads zones.
package zone

import (
	"archive/zip"
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

//go:generate go run generate.go

//go:embed zones.zip
var archive []byte

//go:embed release.txt
var release string

// Release returns the name of the IANA release that is compiled in, such as 2025c.
func Release() string { return strings.TrimSpace(release) }

// index finds the archive's entries by zone name; read once.
var index = sync.OnceValues(func() (map[string]*zip.File, error) {
	reader, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		return nil, fmt.Errorf("time zone database: %w", err)
	}
	files := make(map[string]*zip.File, len(reader.File))
	for _, file := range reader.File {
		files[file.Name] = file
	}
	return files, nil
})

// Load returns the zone with an IANA name such as Europe/Vienna or Etc/UTC. An
// unknown name is an error that suggests the nearest known one.
func Load(name string) (*time.Location, error) {
	files, err := index()
	if err != nil {
		return nil, err
	}
	file, ok := files[name]
	if !ok {
		return nil, unknown(files, name)
	}
	source, err := file.Open()
	if err != nil {
		return nil, fmt.Errorf("time zone %s: %w", name, err)
	}
	defer source.Close() //nolint:errcheck // reads from memory
	data, err := io.ReadAll(source)
	if err != nil {
		return nil, fmt.Errorf("time zone %s: %w", name, err)
	}
	return time.LoadLocationFromTZData(name, data)
}
