package fleet

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"lamplighter/coordinator/fleet/rewrite"
)

// Fit rewrites a fleet file's text so that it says which plug-in filter is in
// place at a beacon. Everything else stays as it was written, comments
// included; a text in which that can't be done is an error, and so is a filter
// that the beacon does not have.
func Fit(text, beacon, filter string) (string, error) {
	old, err := Read("", []byte(text))
	if err != nil {
		return "", err
	}
	at := old.Beacon(beacon)
	if at == nil {
		return "", fmt.Errorf("there is no beacon %q", beacon)
	}
	if err := at.mayFit(filter); err != nil || at.Plugged == filter {
		return text, err
	}
	edited, err := setPlugged(text, beacon, filter)
	if err != nil {
		return "", err
	}
	next, err := Read("", []byte(edited))
	if err != nil || !onlyFits(Changes(old, next), beacon, filter) {
		return "", errByHand
	}
	return edited, nil
}

// mayFit says why a filter can't be fitted.
func (b *Beacon) mayFit(filter string) error {
	var plugs []string
	for _, f := range b.Filters {
		if f.Plug {
			plugs = append(plugs, f.Name)
		}
	}
	switch {
	case len(plugs) == 0:
		return fmt.Errorf("beacon %s has no filter with fitted: plug", b.Name)
	case !slices.Contains(plugs, filter):
		return fmt.Errorf("%q is no plug-in filter of beacon %s; it has %s", filter, b.Name, strings.Join(plugs, ", "))
	}
	return nil
}

func onlyFits(changes []Change, beacon, filter string) bool {
	return len(changes) == 1 && changes[0].What == "beacon "+beacon && changes[0].Field == "plugged" && changes[0].New == filter
}

var errByHand = errors.New("the fleet file is written in a way that can't be edited here: set the beacon's plugged by hand, and apply the file")

// setPlugged edits the text where the beacon is described.
func setPlugged(text, beacon, filter string) (string, error) {
	said, err := rewrite.Read(text)
	if err != nil {
		return "", errByHand
	}
	root, _ := said.(rewrite.Map)
	list, _ := root.Get("beacons").(rewrite.List)
	list = slices.Clone(list)
	for i, entry := range list {
		if b, ok := entry.(rewrite.Map); ok && b.Get("name") == rewrite.Text(beacon) {
			list[i] = b.With("plugged", rewrite.Text(filter), []string{"name", "plugged"})
		}
	}
	edited, err := rewrite.To(text, root.With("beacons", list, nil))
	if err != nil {
		return "", errByHand
	}
	return edited, nil
}
