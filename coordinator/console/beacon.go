package console

import (
	"fmt"
	"net/http"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// spans are the stretches of time that charts show.
var spans = []struct {
	Key, Words string
	Span       time.Duration
}{
	{"1h", "1 hour", time.Hour},
	{"6h", "6 hours", 6 * time.Hour},
	{"1d", "1 day", 24 * time.Hour},
	{"1w", "1 week", 7 * 24 * time.Hour},
	{"1m", "31 days", 31 * 24 * time.Hour},
}

const samplesShown = 720

// beaconPage is all about one beacon.
type beaconPage struct {
	Beacon   *fleet.Beacon
	Lamp     htmlPiece
	Since    uint64 // the batch that the lamp shows
	Status   *apiv1.Beacon
	Version  string
	Spans    any
	Span     string
	From, To time.Time
	Moves    []move // to other stretches of time
	Charts   []chart
	Alerts   []*apiv1.Alert // open ones
	Past     []*apiv1.Alert // over, the latest first
	Device   *apiv1.Device  // nil: it never had one
	Events   []*apiv1.DeviceEvent
	Hours    []int
	Bands    []bandHours
	Sent     int
	Orders   []*apiv1.LedgerSlot
	Endings  []*apiv1.LedgerSlot // of late that were not sent whole
	Starts   func(*apiv1.LedgerSlot) time.Time
}

// move is a way to another stretch of time.
type move struct {
	Words    string
	From, To time.Time
}

// bandHours counts what was sent on a band by the hour of the UTC day.
type bandHours struct {
	Band  string
	Cells []hourCell
	All   int
}

type hourCell struct {
	Sent  int
	Level int // 0 to 4
}

func (c *Console) showBeacon(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil || n.Beacon(r.PathValue("beacon")) == nil {
		return fault.New(fault.NotFound, "beacon", "the fleet has no beacon of that name")
	}
	page := &beaconPage{Beacon: n.Beacon(r.PathValue("beacon")), Spans: spans}
	page.Starts = func(s *apiv1.LedgerSlot) time.Time { return time.Unix(s.GetSlot()*int64(n.Network.Slot), 0).UTC() }
	for _, fill := range []func(*http.Request, network, *beaconPage) error{c.fillSpan, c.fillStatus, c.fillCharts, c.fillSlots, c.fillAlerts, c.fillDevice} {
		if err := fill(r, n, page); err != nil {
			return err
		}
	}
	c.render(w, r, http.StatusOK, "beacon", frame{Title: page.Beacon.Name, Live: true, Since: page.Since, Scripts: []string{"charts.js"}, Refresh: 60, Body: page})
	return nil
}

// fillSpan reads which stretch of time is asked for.
func (c *Console) fillSpan(r *http.Request, _ network, page *beaconPage) error {
	now := c.options.Now().UTC()
	page.Span = "1d"
	for _, s := range spans {
		if r.FormValue("span") == s.Key {
			page.Span = s.Key
		}
	}
	for _, s := range spans {
		if s.Key == page.Span {
			page.From, page.To = now.Add(-s.Span), now
		}
	}
	if r.FormValue("from") == "" {
		page.Moves = moves(page.From, page.To, now)
		return nil
	}
	from, err := instantOf(r.FormValue("from"), now)
	if err != nil {
		return err
	}
	to, err := instantOf(r.FormValue("to"), now)
	if err != nil {
		return err
	}
	if length := to.Sub(from); length < shortestSpan || length > longestSpan {
		return fault.New(fault.Invalid, "from", "choose a stretch of a minute to 31 days")
	}
	page.Span, page.From, page.To = "", from, to
	page.Moves = moves(from, to, now)
	return nil
}

// The bounds of what charts show.
const (
	shortestSpan = time.Minute
	longestSpan  = 31 * 24 * time.Hour
)

// moves are the ways from one stretch of time to others.
func moves(from, to, now time.Time) (list []move) {
	length := to.Sub(from)
	add := func(words string, from, to time.Time) {
		if to.After(now) {
			from, to = from.Add(now.Sub(to)), now
		}
		list = append(list, move{words, from, to})
	}
	if length/2 >= shortestSpan {
		add("Closer", from.Add(length/4), to.Add(-length/4))
	}
	if length*2 <= longestSpan {
		add("Wider", from.Add(-length/2), to.Add(length/2))
	}
	add("Earlier", from.Add(-length/2), to.Add(-length/2))
	if to.Add(time.Minute).Before(now) {
		add("Later", from.Add(length/2), to.Add(length/2))
	}
	return list
}

func (c *Console) fillStatus(r *http.Request, _ network, page *beaconPage) error {
	seen, err := c.hub.present(r.Context())
	if err != nil {
		return err
	}
	page.Lamp, page.Since = seen.pieces["lamp-"+page.Beacon.Name], seen.seq
	listed, err := c.beacons.ListBeacons(r.Context(), &apiv1.ListBeaconsRequest{})
	for _, b := range listed.GetBeacons() {
		if b.GetBeacon() == page.Beacon.Name {
			page.Status = b
		}
	}
	return err
}

func (c *Console) fillCharts(r *http.Request, _ network, page *beaconPage) error {
	health, err := c.history.ListHealth(r.Context(), &apiv1.ListHealthRequest{
		Beacon: page.Beacon.Name, From: timestamppb.New(page.From), To: timestamppb.New(page.To), Most: samplesShown,
	})
	if err != nil {
		return err
	}
	samples := health.GetSamples()
	if len(samples) > 0 {
		page.Version = samples[len(samples)-1].GetVersion()
	}
	pick := func(of func(*apiv1.HealthSample) (float64, bool)) (list []reading) {
		for _, s := range samples {
			if v, known := of(s); known {
				list = append(list, reading{s.GetAt().AsTime(), v})
			}
		}
		return list
	}
	add := func(id, title, unit string, list []reading, s scale, words func(float64) string, lines []chartLine) {
		made := chart{ID: id, Title: title, Unit: unit, From: page.From, To: page.To, Lines: lines}
		made.Shades = holdovers(samples, made)
		page.Charts = append(page.Charts, made.draw(list, s, words))
	}
	clock := scale{low: 1e-6, high: 10, log: true}
	add("clock", "Clock: how wrong it may be", "", pick(func(s *apiv1.HealthSample) (float64, bool) {
		return s.GetClockErrorSeconds(), s.ClockErrorSeconds != nil
	}),
		clock, seconds, []chartLine{{clock.y(clockLimit), "mute from here: 0.5 s", true}, {clock.y(clockWarn), "0.1 s", false}, {clock.y(1e-3), "1 ms", false}})
	allowed := page.Beacon.Uncertainty.Float64()
	ratio := scale{low: 1e-4, high: max(100, allowed*10), log: true}
	add("frequency", "Frequency: how far off it may be", "", pick(func(s *apiv1.HealthSample) (float64, bool) {
		return s.GetFrequencyUncertaintyRatio() * 1e6, s.FrequencyUncertaintyRatio != nil
	}), ratio, func(v float64) string { return fmt.Sprintf("%.3g ppm", v) }, []chartLine{{ratio.y(allowed), fmt.Sprintf("planned with: %.3g ppm", allowed), true}})
	for _, q := range []struct {
		id, title, format string
		of                func(*apiv1.HealthSample) (float64, bool)
	}{
		{"satellites", "Satellites in the fix", "%.0f", func(s *apiv1.HealthSample) (float64, bool) {
			return float64(s.GetSatellites()), s.Satellites != nil
		}},
		{"supply", "Supply", "%.2f V", func(s *apiv1.HealthSample) (float64, bool) { return s.GetSupplyVolts(), s.SupplyVolts != nil }},
		{"temperature", "Temperature", "%.1f °C", func(s *apiv1.HealthSample) (float64, bool) {
			return s.GetTemperatureCelsius(), s.TemperatureCelsius != nil
		}},
	} {
		list := pick(q.of)
		add(q.id, q.title, "", list, fit(list), func(v float64) string { return fmt.Sprintf(q.format, v) }, nil)
	}
	return nil
}

// mostPast is how many alerts that are over, and events of a device, are shown.
const mostPast = 8

func (c *Console) fillAlerts(r *http.Request, _ network, page *beaconPage) error {
	own := func(all bool, wanted func(*apiv1.Alert) bool) (list []*apiv1.Alert, err error) {
		listed, err := c.alerts.ListAlerts(r.Context(), &apiv1.ListAlertsRequest{All: all})
		for _, a := range listed.GetAlerts() {
			if a.GetBeacon() == page.Beacon.Name && wanted(a) {
				list = append(list, a)
			}
		}
		return list, err
	}
	isOver := func(a *apiv1.Alert) bool { return a.GetState() == apiv1.AlertState_ALERT_STATE_CLEARED }
	var err error
	if page.Alerts, err = own(false, func(a *apiv1.Alert) bool { return !isOver(a) }); err != nil {
		return err
	}
	page.Past, err = own(true, isOver)
	page.Past = page.Past[:min(mostPast, len(page.Past))]
	return err
}

// fillDevice tells of the beacon's certificate, and what happened to it.
func (c *Console) fillDevice(r *http.Request, _ network, page *beaconPage) error {
	listed, err := c.devices.ListDevices(r.Context(), &apiv1.ListDevicesRequest{})
	if err != nil {
		return err
	}
	for _, d := range listed.GetDevices() {
		if d.GetBeacon() == page.Beacon.Name {
			page.Device = d
		}
	}
	events, err := c.devices.ListDeviceEvents(r.Context(), &apiv1.ListDeviceEventsRequest{})
	for _, e := range events.GetEvents() {
		if e.GetBeacon() == page.Beacon.Name && len(page.Events) < mostPast {
			page.Events = append(page.Events, e)
		}
	}
	return err
}

// holdovers are the stretches in which the receiver had no fix.
func holdovers(samples []*apiv1.HealthSample, c chart) (list []chartShade) {
	for i, s := range samples {
		if s.GetLock() != apiv1.LockState_LOCK_STATE_HOLDOVER && s.GetLock() != apiv1.LockState_LOCK_STATE_NONE {
			continue
		}
		end := c.To
		if i+1 < len(samples) {
			end = samples[i+1].GetAt().AsTime()
		}
		x := c.x(s.GetAt().AsTime())
		if last := len(list) - 1; last >= 0 && list[last].X+list[last].Width >= x-0.01 {
			list[last].Width = c.x(end) - list[last].X
		} else {
			list = append(list, chartShade{x, c.x(end) - x, "no fix"})
		}
	}
	return list
}

// fillSlots counts what was sent by band and hour, and lists what comes next and
// what went wrong.
func (c *Console) fillSlots(r *http.Request, n network, page *beaconPage) error {
	now := c.options.Now().UTC()
	listed, err := c.slots(r.Context(), page.Beacon.Name, now.Add(-historyBack), now.Add(24*time.Hour))
	if err != nil {
		return err
	}
	at := map[string]*bandHours{}
	for _, use := range page.Beacon.Bands {
		page.Bands = append(page.Bands, bandHours{Band: use.Band.Name, Cells: make([]hourCell, 24)})
	}
	for i := range page.Bands {
		at[page.Bands[i].Band] = &page.Bands[i]
	}
	for i := range 24 {
		page.Hours = append(page.Hours, i)
	}
	most := 1
	for _, s := range listed.GetSlots() {
		start := page.Starts(s)
		switch {
		case s.GetEnding() == apiv1.SlotEnding_SLOT_ENDING_SENT && at[s.GetBand()] != nil:
			row := at[s.GetBand()]
			row.Cells[start.Hour()].Sent++
			row.All++
			page.Sent++
			most = max(most, row.Cells[start.Hour()].Sent)
		case s.GetEnding() == apiv1.SlotEnding_SLOT_ENDING_OPEN && !n.Network.Slot.End(n.Network.Slot.At(start)).Before(now):
			if len(page.Orders) < 12 {
				page.Orders = append(page.Orders, s)
			}
		case s.GetReason() != "":
			page.Endings = append(page.Endings, s)
		}
	}
	for _, row := range page.Bands {
		for i := range row.Cells {
			row.Cells[i].Level = (row.Cells[i].Sent*4 + most - 1) / most
		}
	}
	page.Endings = page.Endings[max(0, len(page.Endings)-12):]
	return nil
}
