package core

import (
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
)

// restore takes up what the last run left: its orders, its hush, and its open
// slots, which end here as aborted. Slots missed since are skipped as soon as
// the time is known.
func (c *Core) restore(r Restored) {
	c.slots.accounted = r.Saved.Accounted
	if r.Saved.Newer.Reader > Reader { // unless this is the newer program
		c.orders.newer = r.Saved.Newer
	}
	if len(r.Saved.Orders) > 0 {
		c.restoreOrders(r.Saved.Orders)
	}
	if len(r.Saved.Hush) > 0 {
		c.restoreHush(r.Saved.Hush)
	}
	for _, intent := range r.Intents {
		if planted.Is("S14 a broken-off slot is forgotten") {
			break
		}
		c.journal.close = append(c.journal.close, intent.Slot)
		c.outcome(intent.Outcome, ended{
			kind: wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, reason: string(AgentRestarted),
		})
	}
}

func (c *Core) restoreOrders(sealed []byte) {
	o, refused := c.openOrders(sealed)
	if refused != nil {
		c.refuse("orders", refused)
		return
	}
	c.orders.held, c.orders.onDisk = o, number(o)
	c.journal.saved.orders = sealed
}

func (c *Core) restoreHush(sealed []byte) {
	h, refused := c.openHush(sealed)
	if refused != nil {
		c.refuse("hush", refused)
		return
	}
	c.hush.held, c.hush.onDisk = h, hushNumber(h)
	c.journal.saved.hush = sealed
}
