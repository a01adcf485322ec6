package main

import (
	"runtime"
	"runtime/debug"

	"lamplighter/coordinator/zone"
)

// versionCmd says what this program was made from.
type versionCmd struct{ outputFlag }

// Help is shown by --help.
func (versionCmd) Help() string {
	return `The release of the time zone data is part of the version: two computers with the same release read local times in the same way, and so make the same plan.

Example:

    lamplighter version`
}

// Run prints it.
func (c *versionCmd) Run(e *environment) error {
	version := programVersion()
	value := struct {
		Version  string `json:"version"`
		Go       string `json:"go"`
		ZoneData string `json:"zone_data"`
	}{version, runtime.Version(), zone.Release()}
	rows := table{[]string{"version", "go", "zone_data"}, [][]string{{value.Version, value.Go, value.ZoneData}}}
	return c.write(e.stdout, rows, value)
}

// programVersion is the version that the Go toolchain wrote into the binary:
// a release, or the commit that it was built from.
func programVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(devel)"
	}
	return info.Main.Version
}
