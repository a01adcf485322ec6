package form

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/fleet/rewrite"
	"lamplighter/coordinator/zone"
)

// everyKey is the fleet file that has every key once.
func everyKey(t testing.TB) (text string, root rewrite.Map) {
	t.Helper()
	read, err := os.ReadFile("../testdata/tern-valley.yaml")
	if err != nil {
		t.Fatal(err)
	}
	said, err := rewrite.Read(string(read))
	if err != nil {
		t.Fatal(err)
	}
	return string(read), said.(rewrite.Map)
}

// things are all things of a file with what is asked about them.
func things(root rewrite.Map) (sheets []Sheet, all []rewrite.Map) {
	sheets, all = []Sheet{Network(Known{})}, []rewrite.Map{root.Get("network").(rewrite.Map)}
	for _, s := range root.Get("sites").(rewrite.List) {
		sheets, all = append(sheets, Site(Known{})), append(all, s.(rewrite.Map))
	}
	for _, b := range root.Get("beacons").(rewrite.List) {
		sheets, all = append(sheets, Beacon(Known{})), append(all, b.(rewrite.Map))
	}
	return sheets, all
}

// TestEveryKeyIsAsked: what a file says of a thing, with every key that there is,
// can all be read off its form, and a thing made of the answers alone says the
// same. So no key of the file is left to people who write YAML.
func TestEveryKeyIsAsked(t *testing.T) {
	_, root := everyKey(t)
	sheets, all := things(root)
	for i, thing := range all {
		answers := sheets[i].Read(thing)
		if same := sheets[i].Write(thing, answers); !rewrite.Equal(same, thing) {
			t.Errorf("nothing was changed, and yet it says %s", rewrite.Line(same))
		}
		alone := sheets[i].Write(rewrite.Map{}, answers)
		if diff := cmp.Diff(plainly(thing), plainly(alone)); diff != "" {
			t.Errorf("made of the answers alone (-is +made):\n%s", diff)
		}
	}
}

// TestNoKeyIsMissing: each key that package fleet says a thing has is asked.
func TestNoKeyIsMissing(t *testing.T) {
	text, root := everyKey(t)
	for kind, sheet := range map[string]Sheet{
		"network": Network(Known{}), "sites": Site(Known{}), "beacons": Beacon(Known{}), "receivers": Receiver(Known{}), "public": Public(Known{}),
		"alerts.recipients": Recipient(Known{}), "alerts.limits": Limits(Known{}), "reports": Reports(Known{}),
	} {
		var strange rewrite.Value = rewrite.Map{{Key: "qqqqqqqqqq", Value: rewrite.Number("1")}}
		if kind != "network" && kind != "public" && kind != "alerts.limits" {
			strange = rewrite.List{strange}
		}
		edited, err := rewrite.To(text, Put(root, kind, strange, nil))
		if err != nil {
			t.Fatal(err)
		}
		_, err = fleet.Read("", []byte(edited))
		_, keys, found := strings.Cut(fmt.Sprint(err), `has no key "qqqqqqqqqq"; it has `)
		if !found {
			t.Fatalf("%s: %v", kind, err)
		}
		keys, _, _ = strings.Cut(keys, "\n")
		for _, key := range strings.Split(strings.ReplaceAll(keys, " and ", ", "), ", ") {
			if !slices.Contains(sheet.order(), key) && !slices.ContainsFunc(sheet.Fields(), func(f Field) bool { return f.hasCell(Cell(f.Key, 0, key)) }) {
				t.Errorf("%s: %s is not asked", kind, key)
			}
			if kind == "alerts.limits" && (Site(Known{}).Place("alert_limits."+key) == "" || Beacon(Known{}).Place("alert_limits."+key) == "") {
				t.Errorf("%s is not asked of a site and of a beacon", key)
			}
		}
	}
}

// plainly says a thing with its keys in order, a band by name as a map, and
// without what is as if nothing were said.
func plainly(v rewrite.Value) any {
	switch v := v.(type) {
	case rewrite.Map:
		said := map[string]any{}
		for _, p := range v {
			if no, is := p.Value.(rewrite.Bool); !is || bool(no) {
				said[p.Key] = plainly(p.Value)
			}
		}
		if len(said) == 1 && said["name"] != nil {
			return said["name"]
		}
		return said
	case rewrite.List:
		said := make([]any, len(v))
		for i, entry := range v {
			said[i] = plainly(entry)
		}
		return said
	}
	return rewrite.Line(v)
}

// TestPlace: every finding of a file in which everything is wrong leads to a
// field, but for what is said of a thing as a whole.
func TestPlace(t *testing.T) {
	for path, want := range map[string]string{
		"share": "share", "licence.max_power_dbm": "licence.max_power_dbm", "licence.segments[1].from_hz": "licence.segments.1.from_hz",
		"bands[0].weight": "bands.0.weight", "bands[2]": "bands.2.name", "bands": "bands", "shared[0]": "shared", "filters[1].passes[0]": "filters.1.passes", "filters[1].qqq": "filters.1.name", "": "", "licence": "", "nothing": "",
	} {
		if got := Beacon(Known{}).Place(path); got != want {
			t.Errorf("%s leads to %q, want %q", path, got, want)
		}
	}
	if got := Site(Known{}).Place("not_together[0][1]"); got != "not_together" {
		t.Errorf("it leads to %q", got)
	}
	if got := Network(Known{}).Place("near_km.6m"); got != "near_km" {
		t.Errorf("it leads to %q", got)
	}
}

// TestMergeIsFair: whoever changes a field that the other leaves alone is right,
// whichever of the two sends it, and what both changed in two ways is told.
func TestMergeIsFair(t *testing.T) {
	sheet := Beacon(Known{})
	fields := sheet.Fields()
	answers := func(t *rapid.T, label string) Values {
		v := Values{}
		for _, f := range fields {
			if f.Kind == Rows {
				v.setRows(f, []Values{{f.Columns[0].Key: rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, label+f.Key)}})
			} else if value := rapid.SampledFrom([]string{"", "1", "2"}).Draw(t, label+f.Key); value != "" {
				v[f.Key] = value
			}
		}
		return v
	}
	rapid.Check(t, func(t *rapid.T) {
		was, mine, theirs := answers(t, "was"), answers(t, "mine"), answers(t, "theirs")
		merged, _, clashes := sheet.Merge(was, mine, theirs)
		for _, f := range fields {
			w, m, o, got := sheet.told(f, was), sheet.told(f, mine), sheet.told(f, theirs), sheet.told(f, merged)
			clash := slices.ContainsFunc(clashes, func(c Clash) bool { return c.Field.Key == f.Key && c.Mine == m && c.Theirs == o })
			switch {
			case m == w && got != o, o == w && got != m, m != w && o != w && got != m:
				t.Fatalf("%s was %q, mine %q, theirs %q: merged %q", f.Key, w, m, o, got)
			case clash != (m != w && o != w && m != o):
				t.Fatalf("%s was %q, mine %q, theirs %q: clash %v", f.Key, w, m, o, clash)
			}
		}
		if back := Decode(mine.Encode()); !same(back, mine) {
			t.Fatalf("%v came back as %v", mine, back)
		}
	})
}

// TestFilled leaves out rows that were emptied.
func TestFilled(t *testing.T) {
	sent := map[string]string{"share": " 0.2 ", "bands.0.name": "", "bands.1.name": "20m", "bands.4.name": "6m", "bands.4.weight": "2", "near": "x"}
	got := Beacon(Known{}).Filled(func(key string) string { return sent[key] })
	want := Values{"share": "0.2", "bands.0.name": "20m", "bands.1.name": "6m", "bands.1.weight": "2"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// TestPauseOnAClock: a pause is read off the file on any clock, and written back
// as it was.
func TestPauseOnAClock(t *testing.T) {
	for _, name := range []string{"Etc/UTC", "Europe/Paris", "America/St_Johns", "Pacific/Chatham"} {
		clock, err := zone.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{
			"{scope: {site: hilltop}, from: 2026-12-01T00:00:00Z, to: 2026-12-01T06:00:30Z, reason: mast work}",
			"{from: 2026-03-29T00:30:00Z, to: 2026-03-29T01:30:00Z}",
			"{scope: {beacon: hilltop-hf, band: 20m}, rrule: \"FREQ=WEEKLY;BYDAY=MO,TU\", start: 2026-01-05T09:00:00, duration: 6h, reason: class hours}",
			"{rrule: FREQ=DAILY, start: 2026-01-05T09:00:00, duration: 1h30m}",
			"{rrule: \"FREQ=MONTHLY;BYDAY=1SU;UNTIL=20271231T235959Z\", start: 2026-01-05T09:00:10, duration: 1h}",
			"{rrule: \"FREQ=WEEKLY;INTERVAL=2;COUNT=4\", start: 2026-01-05T09:00:00, duration: 1h}",
		} {
			said, err := rewrite.Read(text)
			if err != nil {
				t.Fatal(err)
			}
			p := ReadPause(said.(rewrite.Map), false, clock)
			if back := p.Write(clock); !rewrite.Equal(said, back) {
				t.Errorf("on the clock of %s %s became %s", name, text, rewrite.Line(back))
			}
		}
		dark := rewrite.Map{{Key: "site", Value: rewrite.Text("mill")}, {Key: "from", Value: rewrite.Text("2026-12-01T00:00:00Z")}, {Key: "to", Value: rewrite.Text("2026-12-08T00:00:00Z")}, {Key: "reason", Value: rewrite.Text("holidays")}}
		p := ReadPause(dark, true, clock)
		if back := p.Write(clock); p.Kind != Dark || !rewrite.Equal(dark, back) {
			t.Errorf("%s became %s", rewrite.Line(dark), rewrite.Line(back))
		}
	}
}

// TestLastDay: the last day of a pause ends on the clock that it was asked on,
// also where that is an hour more or less than usual. RFC 5545, 3.3.10: UNTIL is
// a UTC time, and the recurrence at that time is the last.
func TestLastDay(t *testing.T) {
	clock, err := zone.Load("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	p := Pause{Kind: Again, Start: "2026-10-01T22:00", Lasts: "1h", Every: Daily, Until: "2026-10-25"}
	if got, want := words(p.Write(clock).Get("rrule")), "FREQ=DAILY;UNTIL=20261025T225959Z"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	p = Pause{Kind: Once, From: "2026-03-29T02:30", To: "2026-10-25T02:30"} // skipped, and shown twice
	entry := p.Write(clock)
	if from, to := words(entry.Get("from")), words(entry.Get("to")); from != "2026-03-29T01:30:00Z" || to != "2026-10-25T00:30:00Z" {
		t.Errorf("from %s to %s", from, to) // RFC 5545, 3.3.5: by the offset before; the first
	}
}

// FuzzFill sends any answers: the text is a fleet file, or package fleet says
// what is wrong with it, or it is left to a person.
func FuzzFill(f *testing.F) {
	f.Add("share", "0,5", "bands.0.name", "40m: x")
	f.Add("licence.segments.0.from_hz", "1e9", "shared", "mast, [a")
	f.Fuzz(func(t *testing.T, a, x, b, y string) {
		text, root := everyKey(t)
		sheet := Beacon(Known{})
		beacons := slices.Clone(root.Get("beacons").(rewrite.List))
		answers := sheet.Read(beacons[0].(rewrite.Map))
		more := sheet.Filled(func(key string) string {
			switch key {
			case a:
				return x
			case b:
				return y
			}
			return answers[key]
		})
		beacons[0] = sheet.Write(beacons[0].(rewrite.Map), more)
		edited, err := rewrite.To(text, root.With("beacons", beacons, nil))
		if err != nil {
			return
		}
		if !strings.HasPrefix(edited, "# Every key once, on an invented network.\n") {
			t.Fatalf("a comment is lost:\n%s", edited)
		}
		_, _ = fleet.Read("fleet file", []byte(edited))
	})
}
