package console

import (
	"context"
	"net/http"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// historyBack is how far back fairness remembers, as it does in planning.
const historyBack = 7 * 24 * time.Hour

// whyPage says of one slot and one beacon why it is or is not on the air.
type whyPage struct {
	Beacon, Site string
	Start, End   time.Time
	Ordered      *apiv1.LedgerSlot // nil: not ordered
	Ending       string
	Reason       string
	Past         bool
	Answer       *planner.WhyNot // nil: the plan in force does not speak of this slot
	Free         bool            // nothing stands in the way on a band
	Others       []string        // who is on the air at the site in this slot
}

// showWhy answers why a beacon is, or is not, on the air in a slot.
func (c *Console) showWhy(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil || n.Beacon(r.FormValue("beacon")) == nil {
		return fault.New(fault.NotFound, "beacon", "the fleet has no such beacon")
	}
	b := n.Beacon(r.FormValue("beacon"))
	now := c.options.Now().UTC()
	at, err := instantOf(r.FormValue("at"), now)
	if err != nil {
		return err
	}
	length := n.Network.Slot
	number := length.At(at)
	page := whyPage{Beacon: b.Name, Site: b.Site.Name, Start: length.Start(number), End: length.End(number), Past: length.End(number).Before(now)}
	listed, err := c.slots(r.Context(), "", page.Start, page.End)
	if err != nil {
		return err
	}
	for _, s := range listed.GetSlots() {
		switch other := n.Beacon(s.GetBeacon()); {
		case s.GetBeacon() == b.Name:
			page.Ordered, page.Ending, page.Reason = s, endingWord(s.GetEnding()), reason(s.GetReason())
		case other != nil && other.Site == b.Site:
			page.Others = append(page.Others, s.GetBeacon()+" on "+s.GetBand())
		}
	}
	if page.Ordered == nil {
		if page.Answer, err = c.whyNot(r.Context(), n.Fleet, b.Name, page.Start); err != nil {
			return err
		}
	}
	if page.Answer != nil {
		for _, band := range page.Answer.Bands {
			page.Free = page.Free || len(band.Limits) == 0
		}
	}
	c.render(w, r, http.StatusOK, "why", frame{Title: "Why " + b.Name, Tab: "/timeline", Body: page})
	return nil
}

// whyNot asks the planner's rules; nil where the plan in force does not reach.
func (c *Console) whyNot(ctx context.Context, f *fleet.Fleet, beacon string, at time.Time) (*planner.WhyNot, error) {
	in, p, err := c.planning(ctx, f)
	if err != nil || p == nil || at.Before(p.From) || !at.Before(p.To) {
		return nil, err
	}
	answer, err := planner.AskWhyNot(in, p, beacon, at)
	if err != nil {
		return nil, fault.New(fault.Refused, "", "%w", err)
	}
	return &answer, nil
}

// planning is the plan in force with what it was made from, as far as it is
// known; nil where there is none for this fleet.
func (c *Console) planning(ctx context.Context, f *fleet.Fleet) (planner.Input, *plan.Plan, error) {
	in := planner.Input{Fleet: f}
	answer, err := c.plans.GetPlan(ctx, &apiv1.GetPlanRequest{})
	if err != nil || len(answer.GetPlanJson()) == 0 {
		return in, nil, err
	}
	p, err := plan.Decode(answer.GetPlanJson())
	if err != nil {
		return in, nil, err
	}
	if p.Network != f.Network.Name || p.SlotSeconds != int64(f.Network.Slot) {
		return in, nil, nil
	}
	in.From, in.To = p.From, p.To
	in.History, err = c.sent(ctx, f, p.From)
	return in, p, err
}

// sent is what was transmitted before an instant, as far as fairness remembers.
func (c *Console) sent(ctx context.Context, f *fleet.Fleet, until time.Time) (*plan.Plan, error) {
	listed, err := c.history.ListSlots(ctx, &apiv1.ListSlotsRequest{From: timestamppb.New(until.Add(-historyBack)), To: timestamppb.New(until)})
	if err != nil {
		return nil, err
	}
	past := &plan.Plan{Network: f.Network.Name, To: until, SlotSeconds: int64(f.Network.Slot)}
	for _, s := range listed.GetSlots() {
		if s.GetEnding() != apiv1.SlotEnding_SLOT_ENDING_SENT {
			continue
		}
		t := plan.Transmission{Start: time.Unix(s.GetSlot()*int64(f.Network.Slot), 0).UTC(), Beacon: s.GetBeacon(), Band: s.GetBand(), FrequencyHz: s.GetFrequencyHz()}
		if s.GetExtended() {
			t.Message = plan.Extended
		}
		past.Transmissions = append(past.Transmissions, t)
	}
	if len(past.Transmissions) == 0 {
		return nil, nil //nolint:nilnil // there is no history
	}
	past.From = past.Transmissions[0].Start
	return past, nil
}
