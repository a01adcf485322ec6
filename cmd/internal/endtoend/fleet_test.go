package endtoend

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"lamplighter/proto/onair/wspr"
	"lamplighter/proto/peertest"
)

// A fleet file, a coordinator and agents: after a few slots every beacon has
// been on the air as ordered, and everything that happened is in the tables.
func TestAFleetGoesOnTheAir(t *testing.T) {
	t.Parallel()
	for _, kind := range brokerKinds {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			n := newNetwork(t, kind, fleetText(slotSeconds))
			eventually(t, "three transmissions of each beacon in the tables", func() bool {
				for _, beacon := range beacons {
					if n.count("select count(*) from outcomes where beacon = $1 and kind = 'sent'", beacon) < 3 {
						return false
					}
				}
				return true
			})
			n.checkStatus()
			n.checkMetrics()
			n.checkTones()
			n.stopAgents()
			n.checkAccount()
		})
	}
}

func (n *network) checkStatus() {
	n.t.Helper()
	for _, beacon := range beacons {
		eventually(n.t, beacon+" ready or on the air, with everything known", func() bool {
			s, ok := n.status()[beacon]
			return ok && (s.State == "ready" || s.State == "on_air") && s.Lock == "locked" && s.ClockErrorSeconds != nil && *s.ClockErrorSeconds > 0 &&
				s.LastSeen != nil && s.OnAir != nil && s.OrdersRevision != nil && s.LeaseUntil != nil && s.SentToday != nil && *s.SentToday >= 3
		})
	}
}

// checkMetrics reads /metrics as Prometheus does, and lets promtool judge it.
func (n *network) checkMetrics() {
	n.t.Helper()
	request, err := http.NewRequestWithContext(n.t.Context(), http.MethodGet, "http://"+n.http+"/metrics", nil)
	if err != nil {
		n.t.Fatal(err)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		n.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		n.t.Fatal(err)
	}
	for _, want := range []string{
		`lamplighter_beacon_up{beacon="hilltop-a",site="hilltop"} 1`,
		`lamplighter_beacon_gps_lock{beacon="mill-a",site="mill"} 1`,
		`lamplighter_beacon_last_seen_timestamp_seconds{beacon="mill-a",site="mill"}`,
		`lamplighter_beacon_clock_error_bound_seconds{beacon="mill-a",site="mill"}`,
		`lamplighter_beacon_frequency_uncertainty_ratio{beacon="mill-a",site="mill"} 5e-08`,
		`lamplighter_beacon_lease_remaining_seconds{beacon="mill-a",site="mill"}`,
		`lamplighter_beacon_transmissions_total{band="30m",beacon="mill-a",outcome="sent",site="mill"}`,
	} {
		if !strings.Contains(string(text), want) {
			n.t.Errorf("/metrics does not say %s", want)
		}
	}
	promtool := exec.CommandContext(n.t.Context(), peertest.Find(n.t, "promtool"), "check", "metrics")
	promtool.Stdin = strings.NewReader(string(text))
	if out, err := promtool.CombinedOutput(); err != nil || len(out) > 0 {
		n.t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// checkTones holds what each transmitter would have sent against what the
// tables say was ordered and sent: the tones of the message, at the frequency,
// within the slot.
func (n *network) checkTones() {
	n.t.Helper()
	for _, beacon := range beacons {
		sent := n.sent(beacon)
		whole := 0
		for _, e := range n.emissions(beacon) {
			order, ok := sent[e.slot(slotSeconds)]
			if !ok || e.unkeyed.IsZero() {
				continue // not in the tables yet
			}
			whole++
			if err := order.check(e); err != nil {
				n.t.Errorf("%s at %s: %v", beacon, e.keyed, err)
			}
		}
		if whole < 3 {
			n.t.Errorf("%s: only %d whole transmissions in its log", beacon, whole)
		}
	}
}

// sent is a transmission that the tables say was sent whole.
type sent struct {
	slot, millihertz  int64
	callsign, locator string
	power             int
	kind              string
}

func (n *network) sent(beacon string) map[int64]sent {
	n.t.Helper()
	rows, err := n.rows.Query(n.t.Context(), `select slot, frequency_millihertz, callsign, locator, power_dbm, message_kind
		from outcomes where beacon = $1 and kind = 'sent'`, beacon)
	if err != nil {
		n.t.Fatal(err)
	}
	bySlot := map[int64]sent{}
	for rows.Next() {
		var s sent
		if err := rows.Scan(&s.slot, &s.millihertz, &s.callsign, &s.locator, &s.power, &s.kind); err != nil {
			n.t.Fatal(err)
		}
		bySlot[s.slot] = s
	}
	if err := rows.Err(); err != nil {
		n.t.Fatal(err)
	}
	return bySlot
}

func (s sent) check(e emission) error {
	message := wspr.Message{Callsign: s.callsign, Locator: s.locator, PowerDBm: s.power, Kind: wspr.Type1}
	if s.kind == "extended" {
		message.Kind = wspr.Type3
	} else if wspr.Compound(s.callsign) {
		message.Kind = wspr.Type2
	}
	symbols, err := message.Symbols()
	if err != nil {
		return err
	}
	if len(e.tones) != len(symbols) {
		return fmt.Errorf("%d tones, want %d", len(e.tones), len(symbols))
	}
	for i, symbol := range symbols {
		if want := wspr.ToneHz(float64(s.millihertz)/1000, symbol); math.Abs(e.tones[i]-want) > 1e-6 {
			return fmt.Errorf("tone %d at %f Hz, want %f", i, e.tones[i], want)
		}
	}
	begin := time.Unix(s.slot*slotSeconds, 0)
	// By the protocol a signal starts 1 s into a slot of 120 s and lasts 110.592 s.
	nominal := begin.Add(slotSeconds * time.Second / 120)
	if e.keyed.Before(nominal) || e.keyed.After(nominal.Add(200*time.Millisecond)) {
		return fmt.Errorf("keyed %s after the slot's beginning, want %s", e.keyed.Sub(begin), nominal.Sub(begin))
	}
	if length := e.unkeyed.Sub(e.keyed); length > slotSeconds*time.Second*112/120 {
		return fmt.Errorf("keyed for %s", length)
	}
	return nil
}

// stopAgents ends all agents as a person does.
func (n *network) stopAgents() {
	for _, agent := range n.agents {
		agent.stop()
	}
}

// checkAccount starts each agent once more, so that it names the last record of
// the run before, waits until everything is in the tables, and adds up: no
// record is missing, none is there twice, every slot has at most one outcome,
// and what the transmitters did is what the tables say.
func (n *network) checkAccount() {
	n.t.Helper()
	for _, beacon := range beacons {
		n.startAgent(beacon)
	}
	for _, beacon := range beacons {
		run := n.agents[beacon].waitFor(`link to the broker is up.* run=([0-9a-f]{32})`)[1]
		eventually(n.t, beacon+"'s last run in the tables, and no record of any run missing", func() bool {
			return n.count("select count(*) from boots where beacon = $1 and boot = $2 and previous_boot is not null", beacon, run) == 1 &&
				n.count("select count(*) from boot_gaps where beacon = $1", beacon) == 0
		})
	}
	for what, query := range map[string]string{
		"records that are there twice":           `select count(*) from (select from records group by beacon, boot, seq having count(*) > 1) twice`,
		"records that lie in no day's partition": `select count(*) from records_default`,
		"records with another content":           `select count(*) from record_conflicts`,
		"slots with two outcomes":                `select count(*) from (select from outcomes group by beacon, slot having count(*) > 1) twice`,
		// One that was killed before it wrote down anything may have spoken all the same.
		"runs that nobody followed or led":      `select count(*) from boots b where previous_boot is null and not isempty(seqs) and exists (select from boots o where o.beacon = b.beacon and o.first_seen < b.first_seen)`,
		"outcomes of slots that nobody ordered": `select count(*) from outcomes o where not exists (select from order_slots s where s.beacon = o.beacon and s.slot = o.slot and s.frequency_millihertz = o.frequency_millihertz)`,
		"totals that differ from the outcomes":  `select count(*) from (select beacon, band, kind, count(*) as n from outcomes group by 1, 2, 3) o full join outcome_totals t on (t.beacon, t.band, t.outcome) = (o.beacon, o.band, o.kind) where t.total is distinct from o.n`,
	} {
		if count := n.count(query); count > 0 {
			n.t.Errorf("%d %s", count, what)
		}
	}
	for _, beacon := range beacons {
		n.checkEmissions(beacon)
	}
}

// checkEmissions wants exactly one outcome, of the right kind, for each
// key-down in the transmitter's own log.
func (n *network) checkEmissions(beacon string) {
	n.t.Helper()
	latest := time.Now().Add(-2 * slotSeconds * time.Second)
	for _, e := range n.emissions(beacon) {
		if e.keyed.After(latest) {
			continue // its outcome may be on its way
		}
		slot := e.slot(slotSeconds)
		var kind, reason string
		if err := n.rows.QueryRow(n.t.Context(), "select kind, reason from outcomes where beacon = $1 and slot = $2", beacon, slot).Scan(&kind, &reason); err != nil {
			n.t.Errorf("%s was keyed at %s, and the tables do not know of it: %v", beacon, e.keyed, err)
			continue
		}
		whole := len(e.tones) == 162 && !e.unkeyed.IsZero()
		if kind == "sent" && !whole {
			n.t.Errorf("%s, slot %d: the tables say sent, and %d tones were", beacon, slot, len(e.tones))
		}
		if kind == "skipped" {
			n.t.Errorf("%s, slot %d: the tables say skipped (%s), and %d tones were sent", beacon, slot, reason, len(e.tones))
		}
	}
}
