package api

import (
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// The bounds of what a request may hold.
const (
	maxYAMLBytes  = 16 << 20
	maxNameBytes  = 4096
	maxReasonRune = 500
	maxID         = 64
)

// nothingInForce is the answer of whatever needs a fleet while there is none.
func nothingInForce() error {
	return fault.New(fault.Refused, "", "no fleet file is in force yet; give the coordinator one with: lamplighter fleet apply FLEET")
}

// checkReason says what is wrong with a reason that a person gave.
func checkReason(reason string) error {
	switch {
	case reason == "":
		return fault.New(fault.Invalid, "reason", "say why, for those who will ask")
	case utf8.RuneCountInString(reason) > maxReasonRune:
		return fault.New(fault.Invalid, "reason", "it has more than %d characters", maxReasonRune)
	}
	return nil
}

// checkFile says what is wrong with a fleet file's name or size.
func checkFile(file, yaml string) error {
	switch {
	case len(file) > maxNameBytes:
		return fault.New(fault.Invalid, "file", "the name has more than %d bytes", maxNameBytes)
	case len(yaml) > maxYAMLBytes:
		return fault.New(fault.Invalid, "yaml", "the file has %d bytes, and a fleet file has at most %d", len(yaml), maxYAMLBytes)
	}
	return nil
}

// checkedScope is a scope whose names the fleet knows.
func checkedScope(f *fleet.Fleet, asked *apiv1.HushedScope) (fleet.Scope, error) {
	scope := fleet.Scope{Site: asked.GetSite(), Beacon: asked.GetBeacon(), Band: asked.GetBand()}
	site, beacon := f.Site(scope.Site), f.Beacon(scope.Beacon)
	switch {
	case scope.Site != "" && site == nil:
		return scope, unknown("scope.site", "site", scope.Site)
	case scope.Beacon != "" && beacon == nil:
		return scope, unknown("scope.beacon", "beacon", scope.Beacon)
	case site != nil && beacon != nil && beacon.Site != site:
		return scope, fault.New(fault.Invalid, "scope", "beacon %s is not at site %s but at %s", scope.Beacon, scope.Site, beacon.Site.Name)
	case scope.Band != "" && !usesBand(f, scope):
		return scope, unknown("scope.band", "beacon there that uses the band", scope.Band)
	}
	return scope, nil
}

func unknown(field, what, name string) error {
	return fault.New(fault.NotFound, field, "the fleet in force has no %s %.*q; lamplighter status lists what it has", what, maxID, name)
}

func usesBand(f *fleet.Fleet, scope fleet.Scope) bool {
	for _, b := range f.Beacons {
		if _, uses := b.Use(scope.Band); uses && scope.Covers(b, scope.Band) {
			return true
		}
	}
	return false
}

// checkedTime is an instant that a calendar knows; zero where none is given.
func checkedTime(field string, at *timestamppb.Timestamp) (time.Time, error) {
	if at == nil {
		return time.Time{}, nil
	}
	if err := at.CheckValid(); err != nil {
		return time.Time{}, fault.New(fault.Invalid, field, "no instant between the years 1 and 9999")
	}
	return at.AsTime(), nil
}
