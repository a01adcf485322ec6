package main

import (
	"lamplighter/coordinator/app"
)

// accessFlags say how people prove who they are.
type accessFlags struct {
	OpenOnLoopback bool `help:"For trials: whoever works on this computer may do everything, without logging in."`
}

// access puts them into the options of a coordinator.
func (f accessFlags) access(options *app.Options) error {
	options.Open = f.OpenOnLoopback
	return nil
}
