package main

import "errors"

type demoCmd struct{}

func (*demoCmd) Run(e *environment) error { return errors.New("not yet") }
