package devices

import "testing"

// What it costs to judge a device, with its signature looked at anew and remembered.
func BenchmarkJudge(b *testing.B) {
	ours := authority(b, start)
	c := device(b, ours, "tern", "mill-hf", start)
	n := Network{ID: "tern", Authorities: []Authority{ours}, Records: Records{SerialOf(c): {Certificate: c, Beacon: "mill-hf"}}}
	for name, proven := range map[string]*Proven{"anew": nil, "remembered": {}} {
		n.Proven = proven
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, reason := n.Judge(c, start); reason != Accepted {
					b.Fatal(reason)
				}
			}
		})
	}
}
