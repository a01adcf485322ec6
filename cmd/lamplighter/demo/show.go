package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// show follows the beacons until ctx ends: a table that is drawn anew on a
// terminal, a line for each change anywhere else.
func (d *demo) show(ctx context.Context) error {
	stream, err := apiv1.NewBeaconServiceClient(d.conn).WatchBeacons(ctx, &apiv1.WatchBeaconsRequest{})
	if err != nil {
		return endedBy(ctx, err)
	}
	view := view{demo: d, before: map[string]string{}}
	for {
		answer, err := stream.Recv()
		if err != nil {
			return endedBy(ctx, err)
		}
		view.update(answer.GetBeacons())
	}
}

// endedBy is nil where an error only tells that it was time to end.
func endedBy(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// view is what is shown of the beacons.
type view struct {
	*demo
	ordered bool              // all agents have orders, and it was said
	before  map[string]string // how each beacon was when a line was written last
	drawn   int               // lines of the table that stand on the terminal
}

func (v *view) update(beacons []*apiv1.Beacon) {
	if !v.ordered && haveOrders(beacons) {
		v.ordered = true
		v.drawn = 0 // the table goes on below this line
		v.say("First orders at all %d agents %.1f s after the coordinator was up.\n", len(beacons), time.Since(v.upAt).Seconds())
	}
	if v.Lines > 0 {
		v.draw(beacons)
		return
	}
	for _, b := range beacons {
		if now := b.GetState().String() + b.GetBand() + b.GetMuteReason(); now != v.before[b.GetBeacon()] {
			v.before[b.GetBeacon()] = now
			v.say("%s  %-12s %-12s %s", time.Now().UTC().Format(time.TimeOnly), b.GetSite(), b.GetBeacon(), describe(b))
		}
	}
}

func haveOrders(beacons []*apiv1.Beacon) bool {
	for _, b := range beacons {
		if b.OrdersRevision == nil {
			return false
		}
	}
	return len(beacons) > 0
}

// describe is how a beacon is, in a few words.
func describe(b *apiv1.Beacon) string {
	switch b.GetState() {
	case apiv1.BeaconState_BEACON_STATE_ON_AIR:
		return fmt.Sprintf("on the air on %s until %s", b.GetBand(), b.GetOnAirUntil().AsTime().Format(time.TimeOnly))
	case apiv1.BeaconState_BEACON_STATE_MUTE:
		return "mute: " + strings.ReplaceAll(b.GetMuteReason(), "_", " ")
	case apiv1.BeaconState_BEACON_STATE_READY:
		if b.NextStart == nil {
			return "ready"
		}
		return fmt.Sprintf("ready, next on %s at %s", b.GetNextBand(), b.GetNextStart().AsTime().Format(time.TimeOnly))
	}
	state := strings.TrimPrefix(b.GetState().String(), "BEACON_STATE_")
	return strings.ToLower(strings.ReplaceAll(state, "_", " "))
}

// draw puts the table in the place of the one before.
func (v *view) draw(beacons []*apiv1.Beacon) {
	var text strings.Builder
	columns := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	fmt.Fprintf(columns, "SITE\tBEACON\tSENT\tSKIPPED\t%s UTC\n", time.Now().UTC().Format(time.TimeOnly)) //nolint:errcheck // into memory
	for _, b := range onAirFirst(beacons) {
		fmt.Fprintf(columns, "%s\t%s\t%s\t%s\t%s\n", b.GetSite(), b.GetBeacon(), count(b.SentToday), count(b.SkippedToday), describe(b)) //nolint:errcheck // into memory
	}
	_ = columns.Flush() // into memory
	lines := strings.Split(strings.TrimSuffix(text.String(), "\n"), "\n")
	if most := max(2, v.Lines-2); len(lines) > most {
		lines = append(lines[:most-1], fmt.Sprintf("and %d more, which lamplighter status lists", len(lines)-most+1))
	}
	if v.drawn > 0 {
		fmt.Fprintf(v.Out, "\x1b[%dA", v.drawn) //nolint:errcheck // nobody may be watching
	}
	v.say("\x1b[J%s", strings.Join(lines, "\n"))
	v.drawn = len(lines)
}

// onAirFirst sorts the beacons so that those on the air come first.
func onAirFirst(beacons []*apiv1.Beacon) []*apiv1.Beacon {
	rank := func(b *apiv1.Beacon) int {
		if b.GetState() == apiv1.BeaconState_BEACON_STATE_ON_AIR {
			return 0
		}
		return 1
	}
	return slices.SortedStableFunc(slices.Values(beacons), func(a, b *apiv1.Beacon) int { return rank(a) - rank(b) })
}

func count(n *int32) string {
	if n == nil {
		return "-"
	}
	return fmt.Sprint(*n)
}
