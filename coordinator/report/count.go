package report

import "lamplighter/coordinator/rollup"

// The reasons of the ledger for what was on the air without an order.
var unordered = map[string]bool{"withdrawn": true, "unordered": true}

// add counts slots by how they ended.
func (s *Slots) add(c rollup.SlotCount) {
	if unordered[c.Reason] {
		s.Unordered += c.Slots
		return
	}
	switch c.Ending {
	case "withdrawn":
		s.Withdrawn += c.Slots
		return
	case "sent":
		s.Sent += c.Slots
	case "skipped":
		s.Skipped += c.Slots
	case "aborted":
		s.Aborted += c.Slots
	case "unreported":
		s.Unreported += c.Slots
	default:
		s.Open += c.Slots
	}
	s.Ordered += c.Slots
}

func (s *Slots) merge(o Slots) {
	s.Ordered += o.Ordered
	s.Sent += o.Sent
	s.Skipped += o.Skipped
	s.Aborted += o.Aborted
	s.Unreported += o.Unreported
	s.Open += o.Open
	s.Withdrawn += o.Withdrawn
	s.Unordered += o.Unordered
}

// grantedSent says whether slots were ordered, and whether they were sent.
func grantedSent(c rollup.SlotCount) (granted, sent bool) {
	if unordered[c.Reason] || c.Ending == "withdrawn" {
		return false, false
	}
	return true, c.Ending == "sent"
}
