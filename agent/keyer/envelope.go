package keyer

import (
	"math"
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
)

// licensed asks whether the licence runs, and is for this call sign.
func (c *Core) licensed(j *job) *refusal {
	envelope := c.onDisk.envelope
	if envelope == nil {
		return refuse(NoEnvelope, "")
	}
	m := envelope.message
	if slot.Length(m.GetSlotSeconds()) != j.length {
		return refuse(SlotLength, "")
	}
	if m.GetCallsign() != j.ordered.GetMessage().GetCallsign() {
		return refuse(WrongCallsign, "")
	}
	from, to := m.GetValidFromUnix(), m.GetValidToUnix()
	begins, ends := j.start, j.start.Add(j.length.Duration())
	if (from != 0 && begins.Before(time.Unix(from, 0))) || (to != 0 && ends.After(time.Unix(to, 0))) {
		return refuse(OutsideLicence, "")
	}
	return nil
}

// enveloped asks whether the whole signal lies in a segment that allows it. It
// gives the refusal of the piece that came nearest to allowing it.
func (c *Core) enveloped(j *job) *refusal {
	best := OutsideEnvelope
	for _, band := range c.onDisk.envelope.message.GetBands() {
		if band.GetBand() != j.ordered.GetBand() {
			continue
		}
		for _, segment := range band.GetSegments() {
			switch {
			case !within(j.ordered, segment):
			case band.GetControl() != j.ordered.GetControl():
				best = WrongControl
			case j.ordered.GetMessage().GetPowerDbm() > min(band.GetMaxPowerDbm(), segment.GetLimitDbm()):
				best = TooMuchPower
			default:
				return drivable(j.ordered)
			}
		}
	}
	return refuse(best, "")
}

// within says whether all of a signal, wherever its uncertainty puts it, lies
// in a segment.
func within(t *wirev1.Transmission, s *wirev1.Segment) bool {
	centre, reach := t.GetFrequencyMillihertz(), t.GetUncertaintyMillihertz()
	if centre <= 0 || centre > maxFrequency || reach < 0 || reach > maxFrequency {
		return false
	}
	if s.GetFromHz() < 0 || s.GetToHz() > maxFrequency/1000 {
		return false
	}
	reach += signalHalfWidth
	return centre-reach >= s.GetFromHz()*1000 && centre+reach <= s.GetToHz()*1000 || planted.Is("S10 outside the segment")
}

func drivable(t *wirev1.Transmission) *refusal {
	if t.GetDrivePercent() < 1 || t.GetDrivePercent() > 100 {
		return refuse(OutOfBounds, "")
	}
	return nil
}

// toned asks whether the frequency's error is known at all. What is not a
// number is not known.
func (c *Core) toned(*job) *refusal {
	ppb := c.agent.heard.FrequencyUncertaintyPpb
	if ppb == nil || math.IsNaN(*ppb) || *ppb < 0 {
		return refuse(FrequencyUnknown, "")
	}
	return nil
}

// certain asks whether the frequency is known as well as the plan allowed for.
func (c *Core) certain(j *job) *refusal {
	if planted.Is("S4 any frequency") {
		return nil
	}
	if no := c.toned(j); no != nil {
		return no
	}
	if c.agent.heard.GetFrequencyUncertaintyPpb()*1e-9*float64(j.ordered.GetFrequencyMillihertz()) > float64(j.ordered.GetUncertaintyMillihertz()) {
		return refuse(FrequencyUnsure, "")
	}
	return nil
}
