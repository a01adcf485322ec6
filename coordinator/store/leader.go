package store

import "errors"

// ErrDeposed: another coordinator leads by now, and what was to be written
// affected nothing.
var ErrDeposed = errors.New("another coordinator has taken the lead")
