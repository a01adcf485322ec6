package topic

import "strings"

// Alerts gives the topic on which a network's coordinator says what is wrong, in
// JSON, for programs that listen. It is not retained, and no agent's.
func Alerts(network string) string {
	return strings.Join([]string{root, version, network, "alerts"}, separate)
}
