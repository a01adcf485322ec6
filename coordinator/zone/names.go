package zone

import (
	"slices"
	"strings"
	"sync"
)

// Names are the zones of places, and Etc/UTC, in order.
var Names = sync.OnceValue(func() []string {
	files, err := index()
	if err != nil {
		return nil
	}
	var names []string
	for name := range files {
		area, _, ofPlace := strings.Cut(name, "/")
		if ofPlace && slices.Contains(areas, area) || name == "Etc/UTC" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
})

// areas are the continents and oceans that the database has its places under.
var areas = []string{"Africa", "America", "Antarctica", "Arctic", "Asia", "Atlantic", "Australia", "Europe", "Indian", "Pacific"}
