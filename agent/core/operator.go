package core

import (
	"fmt"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// operatorAct records what an operator at the beacon did with its keyer.
func (c *Core) operatorAct(a *keyerv1.OperatorAct) {
	by := cut(a.GetBy(), 64)
	switch a.GetDid() {
	case "rearmed":
		c.always("keyer_rearmed", fmt.Sprintf("%s re-armed the keyer, which had tripped (%s): %s", by, cut(a.GetTripped(), 40), cut(a.GetReason(), 200)))
	case "present":
		c.always("operator_present", fmt.Sprintf("%s is at the beacon for %d minutes.", by, a.GetSeconds()/60))
	case "absent":
		c.always("operator_absent", fmt.Sprintf("%s has left the beacon.", by))
	}
}
