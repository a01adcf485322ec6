package zone

import (
	"archive/zip"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// unknown says that there is no such zone and which known one comes nearest: the
// same letters in another case, the same city elsewhere, or a similar spelling.
func unknown(files map[string]*zip.File, name string) error {
	wanted := plain(name)
	if len(wanted) > 0 && len(name) <= 64 {
		names := slices.Sorted(maps.Keys(files))
		for _, same := range []func(string) bool{
			func(known string) bool { return plain(known) == wanted },
			func(known string) bool { return city(known) == city(name) },
			func(known string) bool { return strings.HasPrefix(plain(known), wanted) },
			func(known string) bool { return oneSlip(plain(known), wanted) },
			func(known string) bool { return oneSlip(city(known), city(name)) },
		} {
			if i := slices.IndexFunc(names, same); i >= 0 {
				return fmt.Errorf("there is no time zone %q; did you mean %s?", name, names[i])
			}
		}
	}
	return fmt.Errorf("there is no time zone %.64q; write an IANA name such as Europe/Vienna or Etc/UTC", name)
}

func plain(name string) string {
	return strings.NewReplacer(" ", "", "_", "", "-", "").Replace(strings.ToLower(name))
}

func city(name string) string { return plain(name[strings.LastIndexByte(name, '/')+1:]) }

// oneSlip tells whether the two differ by one letter put in, left out, replaced
// or exchanged with its neighbour.
func oneSlip(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 || len(a) < 4 {
		return false
	}
	start := 0
	for start < len(a) && a[start] == b[start] {
		start++
	}
	ra, rb := a[start:], b[start:]
	if len(a) < len(b) {
		return ra == rb[1:]
	}
	if len(ra) < 2 {
		return true
	}
	return ra[1:] == rb[1:] || ra[0] == rb[1] && ra[1] == rb[0] && ra[2:] == rb[2:]
}
