package zone

import (
	"archive/zip"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lamplighter/proto/spelling"
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

// oneSlip tells whether two words, long enough to be told apart, differ by one.
func oneSlip(a, b string) bool { return min(len(a), len(b)) >= 4 && spelling.OneSlip(a, b) }
