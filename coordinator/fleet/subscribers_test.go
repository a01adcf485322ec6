package fleet

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestSubscribersOfReportsAreRead(t *testing.T) {
	f := mustRead(t, minimal+"reports:\n  - {mail: secretary@example.org}\n  - {mail: holder@example.org, site: a}\n")
	want := []Subscriber{{"secretary@example.org", ""}, {"holder@example.org", "a"}}
	if diff := cmp.Diff(want, f.Subscribers); diff != "" {
		t.Error(diff)
	}
	changes := Changes(mustRead(t, minimal), f)
	if len(changes) != 2 || changes[0].String() != "report of site a to holder@example.org: added" {
		t.Errorf("the changes are %v", changes)
	}
	for entry, sentence := range map[string]string{
		"{mail: nobody}": "must be an address", "{site: a}": "mail", "{mail: a@example.org, site: c}": "no site",
		"{mail: 'A <a@example.org>'}": "must be an address", "{mail: a@example.org}\n  - {mail: a@example.org}": "twice",
	} {
		if _, err := Read("test.yaml", []byte(minimal+"reports:\n  - "+entry+"\n")); err == nil || !strings.Contains(err.Error(), sentence) {
			t.Errorf("%s: %v", entry, err)
		}
	}
}
