package fleet

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const fitHead = `network: {name: Tern Valley, id: tern}
sites: [{name: mill, locator: IN87oa, time_zone: Etc/UTC}]
beacons: # ours
`

func TestFit(t *testing.T) {
	const rest = "callsign: Q0TRN, site: mill, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.1, bands: [40m, 20m], " +
		"filters: [{name: lp-20, passes: [20m], fitted: plug}, {name: lp-40, passes: [40m], fitted: plug}]"
	block := "    " + strings.ReplaceAll(strings.ReplaceAll(rest, ", bands", "\n    bands"), ", filters", "\n    filters")
	block = strings.NewReplacer("callsign: Q0TRN, ", "callsign: Q0TRN\n    ", "site: mill, ", "site: mill\n    ", "control: remote, ", "control: remote\n    ",
		"power_dbm: 23, ", "power_dbm: 23\n    ", "share: 0.1, ", "share: 0.1\n    ").Replace(block)
	for _, test := range []struct{ name, before, after string }{
		{"in one line, another one in", "  - {name: mill-hf, plugged: lp-20, " + rest + "} # hill\n", "  - {name: mill-hf, plugged: lp-40, " + rest + "} # hill\n"},
		{"in one line, none in", "  - {name: mill-hf, " + rest + "}\n", "  - {name: mill-hf, plugged: lp-40, " + rest + "}\n"},
		{"in lines, another one in", "  - name: mill-hf # é\n    plugged: lp-20 # since May\n" + block + "\n", "  - name: mill-hf # é\n    plugged: lp-40 # since May\n" + block + "\n"},
		{"in lines, none in", "  - name: mill-hf\n" + block + "\n", "  - name: mill-hf\n    plugged: lp-40\n" + block + "\n"},
		{"a name in quotes", "  - {name: \"mill-hf\", " + rest + "}\n", "  - {name: \"mill-hf\", plugged: lp-40, " + rest + "}\n"},
		{"in already", "  - {plugged: lp-40, name: mill-hf, " + rest + "}\n", "  - {plugged: lp-40, name: mill-hf, " + rest + "}\n"},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := Fit(fitHead+test.before, "mill-hf", "lp-40")
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(fitHead+test.after, got); diff != "" {
				t.Error(diff)
			}
			f, err := Read("", []byte(got))
			if err != nil || f.Beacon("mill-hf").Plugged != "lp-40" {
				t.Errorf("%v in\n%s", err, got)
			}
		})
	}
	good := fitHead + "  - {name: mill-hf, " + rest + "}\n"
	for _, test := range []struct{ text, beacon, filter, want string }{
		{good, "mill-vhf", "lp-40", `no beacon "mill-vhf"`},
		{good, "mill-hf", "lp-80", "it has lp-20, lp-40"},
		{strings.ReplaceAll(good, "fitted: plug", "fitted: relay"), "mill-hf", "lp-40", "no filter with fitted: plug"},
		{strings.Replace(good, "callsign: Q0TRN", "callsign: &ours Q0TRN", 1) + "  - *ours\n", "mill-hf", "lp-40", ""},
		{"beacons: nothing", "mill-hf", "lp-40", ""},
	} {
		if got, err := Fit(test.text, test.beacon, test.filter); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%q (%v), want %q", got, err, test.want)
		}
	}
}
