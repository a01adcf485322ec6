package store_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

// ledger is a database in which time is moved by moving what is stored into the
// past.
type ledger struct {
	t    *testing.T
	s    *store.Store
	e    uint64
	n    int64
	seqs int64
}

func newLedger(t *testing.T) *ledger {
	s := storetest.New(t)
	return &ledger{t: t, s: s, e: takeLead(t, s), n: base(t, s)}
}

func (l *ledger) exec(sql string, args ...any) {
	l.t.Helper()
	conn, err := l.s.Dedicated(l.t.Context())
	if err != nil {
		l.t.Fatal(err)
	}
	defer func() { _ = conn.Close(l.t.Context()) }()
	if _, err := conn.Exec(l.t.Context(), sql, args...); err != nil {
		l.t.Fatal(err)
	}
}

// pass moves all that is stored into the past.
func (l *ledger) pass(d time.Duration) {
	l.t.Helper()
	l.exec("update order_slots set start_at = start_at - $1::interval, closed_at = closed_at - $1::interval", d)
	l.exec("update orders set issued_at = issued_at - $1::interval, confirmed_at = confirmed_at - $1::interval", d)
	l.exec("update outcomes set start_at = start_at - $1::interval, received_at = received_at - $1::interval", d)
}

// report stores an outcome of a slot under the orders of a revision.
func (l *ledger) report(slot, revision int64, kind, reason string) {
	l.t.Helper()
	l.seqs++
	r := record("mill-hf", 1, l.seqs, kind+reason)
	start := time.Unix(slot*120, 0).UTC()
	r.Kind = "outcome"
	r.Outcome = &store.Outcome{
		Slot: slot, StartAt: &start, Epoch: int64(l.e), Revision: revision, Band: "40m", FrequencyMillihertz: 7_040_100_000,
		Callsign: "Q1TRN", Locator: "IP62", PowerDBm: 23, MessageKind: "full", DrivePercent: 100, Control: "remote", Kind: kind, Reason: reason,
	}
	storeReports(l.t, l.s, store.Reports{Records: []store.Record{r}})
}

type ending struct {
	Slot, Opened       int64
	Ending             string
	Late, Contradicted bool
}

func (l *ledger) want(want ...ending) {
	l.t.Helper()
	year := 365 * 24 * time.Hour
	entries, err := l.s.Ledger(l.t.Context(), "mill-hf", time.Now().Add(-year), time.Now().Add(year))
	if err != nil {
		l.t.Fatal(err)
	}
	var got []ending
	for _, e := range entries {
		got = append(got, ending{e.Slot - l.n, e.OpenedRevision, e.Ending, e.Late, e.Contradicted})
	}
	if diff := cmp.Diff(want, got); diff != "" {
		l.t.Error(diff)
	}
}

func TestASlotEndsAsTheAgentSays(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"), orderedSlot(l.n+2, "40m"), orderedSlot(l.n+3, "40m"))
	l.report(l.n, 1, "sent", "")
	l.report(l.n+1, 1, "skipped", "hushed")
	l.report(l.n+2, 1, "aborted", "hushed")
	l.report(l.n+2, 1, "sent", "") // a second word on it: the first counts
	l.report(l.n+3, 9, "sent", "") // under orders that never had it open is still this row's: it stands in all later ones
	l.want(ending{0, 1, "sent", false, false}, ending{1, 1, "skipped", false, false}, ending{2, 1, "aborted", false, false}, ending{3, 1, "sent", false, false})
}

func TestASlotIsWithdrawnWhenItsEndIsConfirmedBeforeItsStart(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"))
	saveOrders(t, l.s, l.e, 2, l.n, orderedSlot(l.n+1, "20m"))
	l.want(ending{0, 1, "open", false, false}, ending{1, 1, "open", false, false}, ending{1, 2, "open", false, false})
	confirm(t, l.s, l.e, 1)
	l.want(ending{0, 1, "open", false, false}, ending{1, 1, "open", false, false}, ending{1, 2, "open", false, false})
	confirm(t, l.s, l.e, 2)
	l.want(ending{0, 1, "withdrawn", false, false}, ending{1, 1, "withdrawn", false, false}, ending{1, 2, "open", false, false})
	// An outcome under the new orders is the new row's; one under the old
	// contradicts the agent's own word, and shows.
	l.report(l.n+1, 2, "sent", "")
	l.report(l.n, 1, "sent", "")
	l.want(ending{0, 1, "withdrawn", false, true}, ending{1, 1, "withdrawn", false, false}, ending{1, 2, "sent", false, false})
}

func TestALaterConfirmationWithdrawsToo(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"))
	saveOrders(t, l.s, l.e, 2, l.n)
	saveOrders(t, l.s, l.e, 3, l.n, orderedSlot(l.n, "40m"))
	confirm(t, l.s, l.e, 3) // the second was never held
	l.want(ending{0, 1, "withdrawn", false, false}, ending{0, 3, "open", false, false})
}

func TestWhatIsConfirmedTooLateIsNotWithdrawn(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"))
	l.pass(3 * time.Hour) // the slots are over
	saveOrders(t, l.s, l.e, 2, l.n)
	confirm(t, l.s, l.e, 2)
	l.report(l.n, 1, "sent", "")
	l.want(ending{0, 1, "sent", false, false}, ending{1, 1, "open", false, false})
}

func TestWhatIsNotHeardOfForEightDaysIsUnreportedUntilItIs(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"))
	l.pass(2*time.Hour + 8*24*time.Hour - 3*time.Minute) // a slot begins up to two minutes before the time it holds
	l.want(ending{0, 1, "open", false, false}, ending{1, 1, "open", false, false})
	l.pass(10 * time.Minute)
	l.want(ending{0, 1, "unreported", false, false}, ending{1, 1, "unreported", false, false})
	l.report(l.n, 1, "sent", "")
	l.want(ending{0, 1, "sent", true, false}, ending{1, 1, "unreported", false, false})
}

func TestHistoryIsWhatWasSentAndWhatMayHaveBeenLately(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"), orderedSlot(l.n+2, "40m"), orderedSlot(l.n+40, "40m"), orderedSlot(l.n+41, "40m"))
	l.report(l.n, 1, "sent", "")
	l.report(l.n+1, 1, "skipped", "no_lease")
	l.report(l.n+40, 1, "skipped", "no_lease")
	at := func(k int64) time.Time { return time.Unix((l.n+k)*120, 0).UTC() }
	sent, err := l.s.Sent(t.Context(), at(0), at(43))
	if err != nil {
		t.Fatal(err)
	}
	var got []int64
	for _, e := range sent {
		got = append(got, e.Slot-l.n)
	}
	// 2 is unheard of for more than an hour; 41 may have been sent.
	if diff := cmp.Diff([]int64{0, 41}, got); diff != "" {
		t.Error(diff)
	}
}
