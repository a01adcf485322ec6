package rewrite

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

const valley = `# Ours, since 1998.
network: {name: Tern Valley}   # as people say it

sites:
  # All of them in the valley.
  - {name: hilltop, locator: IN87oa}  # with the mast
  - name: mill       # é by the river
    locator: "IN87ob"

    # Twice in a wet year.
    quiet_share: 0.10
  # Not built yet.
  - name: harbour
    locator: IN95cc
beacons: []
`

// TestTo changes a text in one way each, and looks at the lines that differ.
func TestTo(t *testing.T) {
	site := func(root Map, i int) Map { return root.Get("sites").(List)[i].(Map) }
	sites := func(root Map, list ...Value) Map { return root.With("sites", List(list), nil) }
	for _, test := range []struct {
		name   string
		change func(root Map) Map
		diff   string // lines that go, and lines that come
	}{
		{"nothing", func(root Map) Map { return root }, ""},
		{"a value on a line of many", func(root Map) Map {
			return sites(root, site(root, 0).With("locator", Text("IN87ob"), nil), site(root, 1), site(root, 2))
		}, "-  - {name: hilltop, locator: IN87oa}  # with the mast\n+  - {name: hilltop, locator: IN87ob}  # with the mast\n"},
		{"a value in quotes, and a number", func(root Map) Map {
			return sites(root, site(root, 0), site(root, 1).With("locator", Text("IN87: ob"), nil).With("quiet_share", Number("0.2"), nil), site(root, 2))
		}, "-    locator: \"IN87ob\"\n-    quiet_share: 0.10\n+    locator: \"IN87: ob\"\n+    quiet_share: 0.2\n"},
		{"a new key on a line of many", func(root Map) Map {
			return sites(root, site(root, 0).With("time_zone", Text("Europe/Paris"), []string{"name", "time_zone"}), site(root, 1), site(root, 2))
		}, "-  - {name: hilltop, locator: IN87oa}  # with the mast\n+  - {name: hilltop, time_zone: Europe/Paris, locator: IN87oa}  # with the mast\n"},
		{"a new key in lines", func(root Map) Map {
			return sites(root, site(root, 0), site(root, 1).With("time_zone", Text("Europe/Paris"), []string{"name", "locator", "time_zone"}), site(root, 2))
		}, "+    time_zone: Europe/Paris\n"},
		{"a new key behind the last", func(root Map) Map {
			return sites(root, site(root, 0), site(root, 1), site(root, 2).With("listen", List{Map{{"band", Text("40m")}, {"share", Number("0.5")}}}, nil))
		}, "+    listen:\n+      - {band: 40m, share: 0.5}\n"},
		{"a key goes", func(root Map) Map {
			return sites(root, site(root, 0).With("locator", nil, nil), site(root, 1).With("quiet_share", nil, nil), site(root, 2))
		}, "-  - {name: hilltop, locator: IN87oa}  # with the mast\n-    quiet_share: 0.10\n+  - {name: hilltop}  # with the mast\n"},
		{
			"an entry goes with its comment", func(root Map) Map { return sites(root, site(root, 0), site(root, 1)) },
			"-  # Not built yet.\n-  - name: harbour\n-    locator: IN95cc\n",
		},
		{
			"the first entry leaves what is said of all", func(root Map) Map { return sites(root, site(root, 1), site(root, 2)) },
			"-  - {name: hilltop, locator: IN87oa}  # with the mast\n",
		},
		{"an entry comes, written like the one before it", func(root Map) Map {
			return sites(root, site(root, 0), site(root, 1), site(root, 2), Map{{"name", Text("quay")}, {"locator", Text("IN95cd")}})
		}, "+  - name: quay\n+    locator: IN95cd\n"},
		{
			"all entries go", func(root Map) Map { return sites(root) },
			"-sites:\n-  - {name: hilltop, locator: IN87oa}  # with the mast\n-  - name: mill       # é by the river\n-    locator: \"IN87ob\"\n-\n-    # Twice in a wet year.\n-    quiet_share: 0.10\n-  # Not built yet.\n-  - name: harbour\n-    locator: IN95cc\n+sites: []\n",
		},
		{"a first entry", func(root Map) Map {
			return root.With("beacons", List{Map{{"name", Text("mill-hf")}, {"site", Text("mill")}}}, nil)
		}, "-beacons: []\n+beacons:\n+  - {name: mill-hf, site: mill}\n"},
		{"a new section", func(root Map) Map {
			return root.With("pauses", List{Map{{"from", Text("2026-12-01T00:00:00Z")}, {"reason", Text("mast: works #2")}}}, nil)
		}, "+pauses:\n+  - {from: 2026-12-01T00:00:00Z, reason: \"mast: works #2\"}\n"},
	} {
		t.Run(test.name, func(t *testing.T) {
			said, err := Read(valley)
			if err != nil {
				t.Fatal(err)
			}
			got, err := To(valley, test.change(said.(Map)))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(test.diff, differing(valley, got)); diff != "" {
				t.Errorf("%s\nthe text is now\n%s", diff, got)
			}
		})
	}
}

// differing are the lines of one text that the other has not, and the other way
// round; both have those that stay in the same order.
func differing(old, next string) string {
	a, b := strings.SplitAfter(old, "\n"), strings.SplitAfter(next, "\n")
	var gone, come strings.Builder
	for len(a) > 0 || len(b) > 0 {
		switch {
		case len(a) > 0 && len(b) > 0 && a[0] == b[0]:
			a, b = a[1:], b[1:]
		case len(a) > 0 && !slices.Contains(b, a[0]) || len(b) == 0:
			gone.WriteString("-" + a[0])
			a = a[1:]
		default:
			come.WriteString("+" + b[0])
			b = b[1:]
		}
	}
	return gone.String() + come.String()
}

// TestByHand: what can't be edited is left to a person, whole.
func TestByHand(t *testing.T) {
	for _, text := range []string{
		"a: &x [1, 2]\nb: *x\n", // to change a would change b
		"a: !!str 1\nb: 2\n",
		"a: |\n  long\nb: 1\n",
		"a: [1\n",
		"",
	} {
		said, err := Read(text)
		if err == nil {
			m := said.(Map)
			switch m.Get("a").(type) {
			case List:
				m = m.With("a", List{Number("1")}, nil)
			default:
				m = m.With("a", Text("short"), nil)
			}
			_, err = To(text, m)
		}
		if !errors.Is(err, ErrByHand) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestAlias: an alias is replaced by what is wanted in its place.
func TestAlias(t *testing.T) {
	got, err := To("a: &x [40m, 20m]\nb: *x # the same\n", Map{{"a", List{Text("40m"), Text("20m")}}, {"b", List{Text("6m")}}})
	if err != nil || got != "a: &x [40m, 20m]\nb: [6m] # the same\n" {
		t.Errorf("%q, %v", got, err)
	}
}

// TestAnyEdit writes any tree in any way, with a comment at every line, and makes
// it say any other tree: it does, and each comment is there that stands beside
// nothing that went.
func TestAnyEdit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old, want := anyFleet(t, "old"), anyFleet(t, "want")
		if rapid.Bool().Draw(t, "a small change") {
			want = nudge(t, old)
		}
		text := written(t, old)
		said, err := Read(text)
		if err != nil || !Equal(said, old) {
			t.Fatalf("the test writes wrongly: %v\n%s", err, text)
		}
		got, err := To(text, want)
		if err != nil {
			t.Fatalf("%v: from\n%s\nto %s", err, text, flow(want))
		}
		if said, err := Read(got); err != nil || !Equal(said, want) {
			t.Fatalf("%v: it says %v, not %v:\n%s", err, said, want, got)
		}
		if Equal(old, want) && got != text {
			t.Fatalf("nothing was wanted:\n%s\nbecame\n%s", text, got)
		}
		for i := range strings.Count(text, "# section ") {
			if comment := fmt.Sprintf("# section %d.\n", i); !strings.Contains(got, comment) {
				t.Fatalf("%q is lost: from\n%s\nto\n%s", comment, text, got)
			}
		}
	})
}

var sections = []string{"network", "sites", "beacons", "pauses"}

func anyScalar(t *rapid.T) Value {
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		return Number(rapid.SampledFrom([]string{"0", "1", "0.20", "7040100", "-3"}).Draw(t, "number"))
	case 1:
		return Bool(rapid.Bool().Draw(t, "bool"))
	case 2:
		return Text(rapid.String().Draw(t, "text"))
	}
	return Text(rapid.SampledFrom([]string{"40m", "true", "no", "null", "~", "1e3", "0x1f", "a: b", "a #b", "it's", `"q"`, "é", "2026-12-01T06:00:00Z", "- x", "[x", "x]", "a,b", "FREQ=WEEKLY;BYDAY=MO", " x ", ""}).Draw(t, "word"))
}

func anyThing(t *rapid.T) Map {
	m := Map{}
	for _, key := range []string{"name", "site", "share", "bands", "licence"} {
		switch {
		case key != "name" && !rapid.Bool().Draw(t, key):
		case key == "bands":
			list := List{}
			for range rapid.IntRange(0, 3).Draw(t, "bands") {
				list = append(list, anyScalar(t))
			}
			m = append(m, Pair{key, list})
		case key == "licence":
			m = append(m, Pair{key, Map{{"max", anyScalar(t)}, {"parts", List{Map{{"from", anyScalar(t)}}}}}})
		default:
			m = append(m, Pair{key, anyScalar(t)})
		}
	}
	return m
}

func anyFleet(t *rapid.T, label string) Map {
	root := Map{}
	for _, section := range sections {
		if section == "network" {
			root = append(root, Pair{section, anyThing(t)})
			continue
		}
		list := List{}
		for range rapid.IntRange(0, 4).Draw(t, label+section) {
			list = append(list, anyThing(t))
		}
		root = append(root, Pair{section, list})
	}
	return root
}

// nudge changes one thing in one section.
func nudge(t *rapid.T, root Map) Map {
	section := rapid.SampledFrom(sections[1:]).Draw(t, "section")
	list := slices.Clone(root.Get(section).(List))
	at := rapid.IntRange(0, len(list)).Draw(t, "at")
	switch {
	case at == len(list) || rapid.Bool().Draw(t, "add"):
		list = slices.Insert(list, at, Value(anyThing(t)))
	case rapid.Bool().Draw(t, "remove"):
		list = slices.Delete(list, at, at+1)
	default:
		list[at] = anyThing(t)
	}
	return root.With(section, list, nil)
}

// written writes a tree as people do.
func written(t *rapid.T, root Map) string {
	var out strings.Builder
	for i, p := range root {
		fmt.Fprintf(&out, "# section %d.\n", i)
		indent := rapid.SampledFrom([]string{"", "  ", "    "}).Draw(t, "indent")
		list, isList := p.Value.(List)
		if !isList || len(list) == 0 {
			fmt.Fprintf(&out, "%s: %s # end\n", p.Key, flow(p.Value))
			continue
		}
		fmt.Fprintf(&out, "%s: # list\n", p.Key)
		for _, e := range list {
			if rapid.Bool().Draw(t, "comment") {
				fmt.Fprintf(&out, "%s# of this one\n", indent)
			}
			if rapid.Bool().Draw(t, "one line") {
				fmt.Fprintf(&out, "%s- %s # one line\n", indent, flow(e))
				continue
			}
			for j, q := range e.(Map) {
				lead := indent + "  "
				if j == 0 {
					lead = indent + "- "
				}
				parts, ok := q.Value.(List)
				if ok && len(parts) > 0 && rapid.Bool().Draw(t, "lines") {
					fmt.Fprintf(&out, "%s%s:\n", lead, q.Key)
					for _, part := range parts {
						fmt.Fprintf(&out, "%s    - %s # part\n", indent, flow(part))
					}
					continue
				}
				fmt.Fprintf(&out, "%s%s: %s # key\n", lead, q.Key, flow(q.Value))
			}
			if rapid.Bool().Draw(t, "blank") {
				out.WriteString("\n")
			}
		}
	}
	return out.String()
}

// FuzzTo gives any text: it is changed as wanted or left to a person.
func FuzzTo(f *testing.F) {
	f.Add(valley, uint(3))
	f.Add("a: &x {b: 'it''s', c: [1, \"two\"]}\nd: *x\n", uint(1))
	f.Fuzz(func(t *testing.T, text string, at uint) {
		if len(text) > 4096 || strings.Count(text, "[")+strings.Count(text, "{")+strings.Count(text, "- ")+strings.Count(text, "? ") > 60 {
			return // its reader has bounded it
		}
		said, err := Read(text)
		if err != nil {
			return
		}
		root, ok := said.(Map)
		if !ok || len(root) == 0 {
			return
		}
		key := root[at%uint(len(root))].Key
		for _, want := range []Map{root.With(key, Text("changed"), nil), root.With(key, nil, nil), root.With("brand-new", List{Map{{"a", Number("1")}}}, nil)} {
			got, err := To(text, want)
			if err != nil {
				if !errors.Is(err, ErrByHand) {
					t.Fatal(err)
				}
				continue
			}
			if said, err := Read(got); err != nil || !Equal(said, want) {
				t.Fatalf("%q became %q", text, got)
			}
		}
	})
}
