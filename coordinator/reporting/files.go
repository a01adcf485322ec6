package reporting

import (
	"context"
	"errors"
	"io"
	"runtime/debug"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/print"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/stationlog"
	"lamplighter/coordinator/store"
)

// Form is the form of a report or log.
type Form string

// The forms.
const (
	HTML     Form = "html"
	PDF      Form = "pdf"
	Markdown Form = "markdown"
	CSV      Form = "csv"
	JSON     Form = "json"
	LogCSV   Form = "log-csv"
	LogADIF  Form = "log-adif"
	Calendar Form = "calendar"
)

// Write makes what is asked for and writes it.
func (r *Reporter) Write(ctx context.Context, w io.Writer, form Form, q Request) error {
	switch form {
	case LogCSV, LogADIF:
		return r.log(ctx, w, form, q)
	case Calendar:
		return r.calendar(ctx, w, q)
	}
	made, err := r.Report(ctx, q)
	if err != nil {
		return err
	}
	current, _, err := r.Fleets.Current(ctx)
	if err != nil {
		return err
	}
	zone := current.Calendar()
	switch form {
	case HTML:
		return made.HTML(w, zone)
	case PDF:
		return print.Report(w, made, zone)
	case Markdown:
		return made.Markdown(w, zone)
	case CSV:
		return made.CSV(w)
	case JSON:
		return made.JSON(w)
	}
	return fault.New(fault.Usage, "format", "there is no form %.40q", string(form))
}

// log writes the station log of a period.
func (r *Reporter) log(ctx context.Context, w io.Writer, form Form, q Request) error {
	current, now, err := r.now(ctx)
	if err != nil {
		return err
	}
	period, err := q.period(current.Calendar(), now)
	if err != nil {
		return err
	}
	names, err := namesIn(current, q.Scope)
	if err != nil {
		return err
	}
	begin := stationlog.NewCSV
	if form == LogADIF {
		begin = func(w io.Writer) (stationlog.Writer, error) {
			return stationlog.NewADIF(w, current.Network.Name, version(), now)
		}
	}
	out, err := begin(w)
	if err != nil {
		return err
	}
	err = r.Store.EachOnAir(ctx, names, period.From, period.To, func(t store.PastTransmission) error {
		return out.Write(logged(current, t))
	})
	return errors.Join(err, out.Close())
}

// version is that of this program.
func version() string {
	if built, ok := debug.ReadBuildInfo(); ok && built.Main.Version != "" {
		return built.Main.Version
	}
	return "unknown"
}

// namesIn lists the beacons in a scope; nil where it is everything, so that those
// are told of too that the fleet no longer has.
func namesIn(f *fleet.Fleet, scope fleet.Scope) ([]string, error) {
	switch {
	case scope.Beacon != "":
		return []string{scope.Beacon}, nil
	case scope.Site == "":
		return nil, nil
	case f.Site(scope.Site) == nil:
		return nil, fault.New(fault.NotFound, "site", "the fleet in force has no site %.64q; lamplighter status lists what it has", scope.Site)
	}
	names := []string{}
	for _, b := range f.Beacons {
		if b.Site.Name == scope.Site {
			names = append(names, b.Name)
		}
	}
	return names, nil
}

func logged(f *fleet.Fleet, t store.PastTransmission) stationlog.Transmission {
	told := stationlog.Transmission{
		Beacon: t.Beacon, Band: t.Band, Millihertz: t.FrequencyMillihertz, Message: t.MessageKind, Control: t.Control,
		Start: t.StartAt, Keyed: t.KeyedAt, Unkeyed: t.UnkeyedAt, Ending: t.Ending, ClockErrorNs: t.ClockErrorBoundNs,
	}
	if b := f.Beacon(t.Beacon); b != nil {
		told.Site = b.Site.Name
	}
	if t.Callsign != nil && t.Locator != nil && t.PowerDBm != nil && t.Symbols != nil && t.Reason != nil {
		told.Callsign, told.Locator, told.PowerDBm, told.Symbols, told.Reason = *t.Callsign, *t.Locator, int(*t.PowerDBm), int(*t.Symbols), *t.Reason
	}
	return told
}

// now is the fleet in force and the database's time.
func (r *Reporter) now(ctx context.Context) (*fleet.Fleet, time.Time, error) {
	current, _, err := r.Fleets.Current(ctx)
	if err != nil {
		return nil, time.Time{}, err
	}
	if current == nil {
		return nil, time.Time{}, fault.New(fault.Refused, "", "no fleet file is in force yet; give the coordinator one with: lamplighter fleet apply FLEET")
	}
	now, err := r.Store.Now(ctx)
	return current, now, err
}

// How far a calendar reaches, and how long it may be planned.
const (
	calendarDays   = 7
	calendarWithin = 5 * time.Minute
)

// calendar writes the transmissions of the coming week: those of the plan in
// force, and what the planner would make of the days after it.
func (r *Reporter) calendar(ctx context.Context, w io.Writer, q Request) error {
	current, now, err := r.now(ctx)
	if err != nil {
		return err
	}
	if _, err := namesIn(current, q.Scope); err != nil {
		return err
	}
	previous, err := r.Store.CurrentPlan(ctx)
	if err != nil {
		return err
	}
	length := current.Network.Slot
	from := length.Start(length.At(now) + 1)
	binding := from
	if previous != nil {
		binding = previous.To
	}
	deadline := time.Now().Add(calendarWithin)
	ahead, err := planner.Make(planner.Input{
		Fleet: current, From: from, To: from.AddDate(0, 0, calendarDays), Previous: previous,
	}, func(done, total int) bool {
		if q.Progress != nil {
			q.Progress(done, total)
		}
		return ctx.Err() != nil || time.Now().After(deadline)
	})
	if errors.Is(err, planner.ErrStopped) {
		return fault.New(fault.TooLate, "", "planning the coming week takes longer than %v; the plan in force says what comes next", calendarWithin)
	}
	if err != nil {
		return err
	}
	return report.Calendar(w, current, ahead, q.Scope, now, binding)
}
