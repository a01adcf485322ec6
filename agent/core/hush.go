package core

import (
	"bytes"
	"fmt"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
	"lamplighter/proto/seal"
)

const maxScopes = 256

// hush is the state in force. The keyer holds its own; this one only tells
// early, and is there to be presented to the keyer again.
type hush struct {
	held   *wirev1.Hush // nil: none was ever received
	onDisk *wirev1.HushNumber
}

func hushNumber(h *wirev1.Hush) *wirev1.HushNumber {
	if h == nil {
		return &wirev1.HushNumber{}
	}
	return &wirev1.HushNumber{Epoch: h.GetEpoch(), Number: h.GetNumber()}
}

func compareHushes(a, b *wirev1.HushNumber) int {
	return comparePairs(a.GetEpoch(), a.GetNumber(), b.GetEpoch(), b.GetNumber())
}

func (c *Core) openHush(sealed []byte) (*wirev1.Hush, *refusal) {
	payload, err := c.config.Keys.Open(seal.Hush, c.config.Address.Network, c.config.Address.Beacon, sealed)
	if err != nil {
		return nil, sealRefusal(err)
	}
	var h wirev1.Hush
	if err := proto.Unmarshal(payload, &h); err != nil {
		return nil, &refusal{"garbled", "A hush whose payload is garbled."}
	}
	if h.GetNetwork() != c.config.Address.Network || h.GetBeacon() != c.config.Address.Beacon {
		return nil, &refusal{"invalid", "A hush for somebody else."}
	}
	return &h, nil
}

// receiveHush passes a hush to the keyer at once, before anything else is done
// with it.
func (c *Core) receiveHush(sealed []byte) {
	h, refused := c.openHush(sealed)
	if refused != nil {
		c.refuse("hush", refused)
		return
	}
	order := compareHushes(hushNumber(h), hushNumber(c.hush.held))
	if order < 0 || order == 0 && !silencesMore(h, c.hush.held) {
		if order < 0 {
			c.refuse("hush", &refusal{"stale", fmt.Sprintf("Hush state %d/%d came after a newer one.", h.GetEpoch(), h.GetNumber())})
		}
		return
	}
	if on, _, _ := c.air(); on && planted.Is("S6 a hush waits for the slot's end") {
		return
	}
	at := c.now.Boot
	c.keyer.hushAt = &at
	c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Hush{Hush: sealed}}})
	c.hush.held = h
	c.journal.saved.hush, c.journal.changed = bytes.Clone(sealed), true
	c.always("hush_accepted", describeHush(h))
}

// covers says whether a band is to be silent; the empty band stands for all. A
// hush that says more than it may stops everything.
func covers(h *wirev1.Hush, band string) bool {
	if len(h.GetScopes()) > maxScopes {
		return true
	}
	for _, scope := range h.GetScopes() {
		if scope.GetBand() == "" || scope.GetBand() == band {
			return true
		}
	}
	return false
}

// silencesMore says whether h silences all that old does, and something more.
func silencesMore(h, old *wirev1.Hush) bool { return includes(h, old) && !includes(old, h) }

func includes(h, other *wirev1.Hush) bool {
	for _, scope := range other.GetScopes() {
		if !covers(h, scope.GetBand()) {
			return false
		}
	}
	return true
}

func describeHush(h *wirev1.Hush) string {
	if len(h.GetScopes()) == 0 {
		return fmt.Sprintf("Hush state %d/%d: nothing is hushed.", h.GetEpoch(), h.GetNumber())
	}
	first := h.GetScopes()[0]
	band := first.GetBand()
	if band == "" {
		band = "all bands"
	}
	more := ""
	if n := len(h.GetScopes()) - 1; n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	return fmt.Sprintf("Hush state %d/%d: %s (%s, by %s: %s)%s.", h.GetEpoch(), h.GetNumber(),
		band, cut(first.GetGivenFor(), 80), cut(first.GetGivenBy(), 80), cut(first.GetReason(), 200), more)
}
