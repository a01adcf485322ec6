package planner_test

import (
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestFeasibleFleets: every demand is met, evenly in time and over the bands.
func TestFeasibleFleets(t *testing.T) {
	for name, file := range map[string]*testfleet.File{"club": testfleet.Club(), "region": testfleet.Region()} {
		for _, days := range []int{1, 7} {
			in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(time.Duration(days) * day)}
			p := makePlan(t, in)
			mustHold(t, in, p)
			figures := plan.Measure(in.Fleet, p, plan.Extra{})
			if figures.Granted != figures.Wanted {
				t.Errorf("%s, %d days: %d of %d granted", name, days, figures.Granted, figures.Wanted)
			}
			if figures.AirtimeDeviation > 1+1e-9 || figures.BandDeviation >= 1 {
				t.Errorf("%s, %d days: airtime deviation %.3f, band deviation %.3f", name, days, figures.AirtimeDeviation, figures.BandDeviation)
			}
			s := figures.Spread
			t.Logf("%s, %d days: %+v", name, days, s)
			if s.ReturnsElsewhere*100 < s.Returns*99 {
				t.Errorf("%s: %d of %d visits are on another frequency than the one before", name, s.ReturnsElsewhere, s.Returns)
			}
			if days == 7 && s.MinutesCovered*100 < s.MinutesDue*95 {
				t.Errorf("%s: %d of %d due minutes are met", name, s.MinutesCovered, s.MinutesDue)
			}
			if days == 7 && s.HoursCovered < s.HoursDue {
				t.Errorf("%s: %d of %d due hours are met", name, s.HoursCovered, s.HoursDue)
			}
		}
	}
}

// TestSparseFleets: where a beacon has its turn every few hours only, its window
// may reach from day into night, where its weights ask for other bands. Its counts
// stay within one of them even so.
func TestSparseFleets(t *testing.T) {
	for _, factor := range []float64{0.1, 0.03} {
		in := planner.Input{Fleet: read(t, testfleet.Scaled("Sparse", 60, 20).Oversubscribe(factor)), From: from, To: from.Add(7 * day)}
		p := makePlan(t, in)
		mustHold(t, in, p)
		figures := plan.Measure(in.Fleet, p, plan.Extra{})
		if figures.Granted != figures.Wanted || figures.AirtimeDeviation > 1+1e-9 || figures.BandDeviation >= 1 {
			t.Errorf("×%g: %d of %d granted, airtime deviation %.3f, band deviation %.3f", factor, figures.Granted, figures.Wanted, figures.AirtimeDeviation, figures.BandDeviation)
		}
	}
}

// TestPathologicalFleets: odd fleets break no rule either, over a week.
func TestPathologicalFleets(t *testing.T) {
	for name, file := range testfleet.Pathological() {
		t.Run(name, func(t *testing.T) {
			in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(days(7))}
			p := makePlan(t, in)
			mustHold(t, in, p)
			figures := plan.Measure(in.Fleet, p, plan.Extra{})
			t.Logf("%d of %d, airtime deviation %.2f, band deviation %.2f", figures.Granted, figures.Wanted, figures.AirtimeDeviation, figures.BandDeviation)
		})
	}
}

// TestPublishedRotation: the checker accepts the published rotation, and the
// planner, given that fleet, fills every slot of every band as it does.
func TestPublishedRotation(t *testing.T) {
	in := planner.Input{Fleet: read(t, testfleet.Rotation(0.28)), From: from, To: from.Add(time.Hour)}
	p := makePlan(t, in)
	mustHold(t, in, p)
	if want := 5 * 360; len(p.Transmissions) != want {
		t.Errorf("%d transmissions fill the hour, want %d: one in each slot of each band", len(p.Transmissions), want)
	}
	in.Fleet = read(t, testfleet.Rotation(1)) // five turns in a row are more than a share of 5/18 may have
	published := rotation(in)
	mustHold(t, in, published)
	figures := plan.Measure(in.Fleet, published, plan.Extra{})
	if figures.Jain < 1-1e-12 {
		t.Errorf("the published rotation has Jain's index %v, want 1: each site has 50 s of 180", figures.Jain)
	}
	for i := range published.Transmissions {
		moved := *published
		moved.Transmissions = slices.Clone(published.Transmissions)
		moved.Transmissions[i].Start = moved.Transmissions[i].Start.Add(10 * time.Second)
		if moved.Transmissions[i].Start.Equal(in.To) {
			continue
		}
		slices.SortFunc(moved.Transmissions, byStart)
		if len(plan.Check(in.Fleet, &moved, plan.Extra{Most: 1})) == 0 {
			t.Fatalf("moving %v by a turn is not noticed", published.Transmissions[i])
		}
		if i == 89 {
			break // one period: 18 sites on 5 bands
		}
	}
}

func byStart(a, b plan.Transmission) int {
	if c := a.Start.Compare(b.Start); c != 0 {
		return c
	}
	if a.Beacon < b.Beacon {
		return -1
	}
	return 1
}

// rotation is the published schedule: site k starts on band b at second
// ((k − 1 + b)·10) mod 180.
func rotation(in planner.Input) *plan.Plan {
	p := &plan.Plan{Network: in.Fleet.Network.Name, From: in.From, To: in.To, SlotSeconds: 10}
	for _, beacon := range in.Fleet.Beacons {
		k := int(beacon.Name[7]-'0')*10 + int(beacon.Name[8]-'0')
		granted := 0
		for b, name := range []string{"20m", "17m", "15m", "12m", "10m"} {
			use, _ := beacon.Use(name)
			for second := (k - 1 + b) * 10 % 180; second < 3600; second += 180 {
				granted++
				p.Transmissions = append(p.Transmissions, plan.Transmission{
					Start:  in.From.Add(time.Duration(second) * time.Second),
					Beacon: beacon.Name, Band: name, FrequencyHz: float64(use.Band.DialHz + 1500),
				})
			}
		}
		p.Shortfalls = append(p.Shortfalls, plan.Shortfall{Beacon: beacon.Name, Wanted: 360, Granted: granted, Reason: "five turns of 18"})
	}
	slices.SortFunc(p.Transmissions, byStart)
	return p
}
