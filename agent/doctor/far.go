package doctor

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"lamplighter/agent/core"
	"lamplighter/agent/local"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

const dialTime = 5 * time.Second

// broker looks whether somebody listens there. It does not log in: the agent's
// name is the agent's, and a second one would throw it out.
func (p Patient) broker(ctx context.Context) []Finding {
	const subject = "broker"
	u, err := url.Parse(p.File.Broker)
	if err != nil || u.Port() == "" {
		return one(subject, Wrong, fmt.Sprintf("The broker's address %q has no port.", p.File.Broker), "Write it as the coordinator says it.")
	}
	dialer := net.Dialer{Timeout: dialTime}
	connection, err := dialer.DialContext(ctx, "tcp", u.Host)
	var unknown *net.DNSError
	switch {
	case errors.As(err, &unknown):
		return one(subject, Wrong, fmt.Sprintf("The name %s can't be found: %v.", u.Hostname(), err), "Look whether the machine has a network and a name server.")
	case err != nil:
		return one(subject, Wrong, fmt.Sprintf("The broker at %s can't be reached: %v.", u.Host, err), "Look whether the network lets the machine out to that port, and whether the coordinator runs.")
	}
	_ = connection.Close() // nothing was said
	if u.Scheme == "tcp" || u.Scheme == "mqtt" || u.Scheme == "ws" {
		return one(subject, Note, fmt.Sprintf("The broker at %s can be reached. What is said to it is not encrypted.", u.Host), "Enrol the device, unless the broker is on this machine.")
	}
	return one(subject, Well, fmt.Sprintf("The broker at %s can be reached.", u.Host), "")
}

// When a certificate that runs out is told of; it is renewed long before.
const (
	soon     = 30 * 24 * time.Hour
	maxBytes = 64 << 10
)

// certificate looks at the device's own and at those whom it trusts.
func (p Patient) certificate(context.Context) []Finding {
	const subject = "certificate"
	identity := p.File.Identity
	if identity == nil {
		return one(subject, Unasked, "The configuration names no certificate.", "")
	}
	var found []Finding
	for _, name := range []string{"certificate.pem", "authorities.pem"} {
		path := filepath.Join(identity.Folder, name)
		list, err := certificates(path)
		if err != nil {
			return one(subject, Wrong, fmt.Sprintf("%s can't be read: %v.", path, err), "Enrol the device again.")
		}
		for _, c := range list {
			found = append(found, validity(name, c, p.Now)...)
		}
	}
	return found
}

func certificates(path string) ([]*x509.Certificate, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > maxBytes {
		return nil, fmt.Errorf("it has %d bytes, and at most %d are read", info.Size(), maxBytes)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var list []*x509.Certificate
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	if len(list) == 0 {
		return nil, errors.New("there is no certificate in it")
	}
	return list, nil
}

func validity(name string, c *x509.Certificate, now time.Time) []Finding {
	const subject = "certificate"
	who := fmt.Sprintf("The certificate of %s in %s", c.Subject.CommonName, name)
	until := c.NotAfter.UTC().Format(time.DateOnly)
	switch {
	case now.Before(c.NotBefore):
		return one(subject, Wrong, fmt.Sprintf("%s counts only from %s on.", who, c.NotBefore.UTC().Format(time.RFC3339)), "Set the machine's clock right.")
	case !now.Before(c.NotAfter):
		return one(subject, Wrong, fmt.Sprintf("%s ran out on %s, so the broker refuses it.", who, until), "Enrol the device again.")
	case c.NotAfter.Sub(now) < soon && c.NotAfter.Sub(now) < c.NotAfter.Sub(c.NotBefore)/3:
		return one(subject, Note, fmt.Sprintf("%s runs out on %s and should have been renewed.", who, until), "Look in the agent's log why it was not.")
	}
	return one(subject, Well, fmt.Sprintf("%s counts until %s.", who, until), "")
}

// askAgent asks the running agent how it is.
func (p Patient) askAgent(ctx context.Context) (*wirev1.Health, Finding) {
	const subject = "agent"
	health, err := p.Agent(ctx)
	switch {
	case errors.Is(err, local.ErrNotRunning):
		return nil, Finding{subject, Note, "The agent is not running.", "Start it: systemctl start lamplighter-agent"}
	case err != nil:
		return nil, Finding{subject, Wrong, fmt.Sprintf("The agent hangs: %v.", err), "Start it again: systemctl restart lamplighter-agent"}
	}
	since := time.Duration(health.GetUptimeSeconds()) * time.Second
	if why := health.GetMuteReason(); why != "" {
		return health, Finding{subject, Wrong, fmt.Sprintf("The agent has run for %v and is silent (%s). %s", since, why, core.Reasons()[core.Reason(why)]), advice[core.Reason(why)]}
	}
	return health, Finding{subject, Well, fmt.Sprintf("The agent has run for %v and would transmit if a slot came now.", since), ""}
}

// advice says what to do about what the agent itself is silent for.
var advice = map[core.Reason]string{
	core.KeyerGone:       "Look in the agent's log why the keyer does not start.",
	core.KeyerTripped:    "Find out why it tripped, look at the transmitter, and re-arm the keyer.",
	core.UpdateNeeded:    "Install the newer program.",
	core.DiskFull:        "Do what the finding on the disk says.",
	core.NoOrders:        "Look at the broker, and whether the coordinator's fleet file has this beacon.",
	core.OrdersEnded:     "Look at the broker and the coordinator: no newer orders have come.",
	core.Hushed:          "Ask whoever hushed it; the coordinator's status says who and why.",
	core.ClockUnsure:     "Do what the findings on GPS and clock say.",
	core.FrequencyUnsure: "Do what the finding on the frequency says, or plan with a larger uncertainty_ppm in the fleet file.",
	core.NoLease:         "Look at the broker, and whether the coordinator runs and leads.",
}

// lease tells how long the agent may still go on.
func lease(health *wirev1.Health) []Finding {
	const subject = "lease"
	switch {
	case health == nil:
		return one(subject, Note, "Whether there is a lease only a running agent knows.", "")
	case health.LeaseUntilUnixMs == nil:
		return one(subject, Wrong, "There is no lease, so the beacon is silent.", advice[core.NoLease])
	}
	until := time.UnixMilli(health.GetLeaseUntilUnixMs()).UTC()
	return one(subject, Well, fmt.Sprintf("The lease runs until %s by the beacon's clock.", until.Format(time.RFC3339)), "")
}
