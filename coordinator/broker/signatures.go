package broker

import (
	"log/slog"

	"github.com/prometheus/client_golang/prometheus"
)

// EmbeddedOptions are the settings of the broker in this process.
type EmbeddedOptions struct {
	Network string // the network's id
	Listen  string // HOST:PORT, on loopback; port 0: any free one
	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// ExternalOptions are the settings of the client of a broker outside.
type ExternalOptions struct {
	Network  string // the network's id
	URL      string // tcp://HOST:PORT, on loopback
	ClientID string // another one for each coordinator
	Log      *slog.Logger
	Metrics  prometheus.Registerer
}

// NewEmbedded makes the broker; it listens from Start.
func NewEmbedded(options EmbeddedOptions) (Broker, error) { return nil, nil }

// NewExternal makes the client; it connects from Start.
func NewExternal(options ExternalOptions) (Broker, error) { return nil, nil }
