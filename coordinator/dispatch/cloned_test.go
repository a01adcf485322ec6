package dispatch

import (
	"context"
	"strings"
	"testing"
)

// A second device, on another kernel, that asks while the first is alive gets no
// lease, and it is told of at once.
func TestACloneGetsNothingAndIsToldOf(t *testing.T) {
	b := newBench(t, twoNear)
	var told []string
	b.d.options.Cloned = func(_ context.Context, beacon, sentence string) { told = append(told, beacon+": "+sentence) }
	b.lead()
	first := request("hilltop-hf", b.orders("hilltop-hf"))
	b.granted(first)
	if len(told) != 0 {
		t.Fatalf("the first device is told of: %v", told)
	}
	second := request("hilltop-hf", nil)
	second.BootId, second.Run = "another-kernel", strings.Repeat("b", runDigits)
	if g := b.granted(second); len(g.GetTerms()) != 0 || g.GetRefusal() == "" {
		t.Errorf("the second device got %v", g)
	}
	if len(told) != 1 || !strings.HasPrefix(told[0], "hilltop-hf: another device speaks") {
		t.Errorf("told: %v", told)
	}
}
