package console

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/zone"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/band"
)

// whoPage answers a complaint: who was on the air there and then.
type whoPage struct {
	At, Clock string // as asked for
	Freq      string
	Within    string
	Near      string
	Clocks    []string
	Withins   []choice
	Nears     []choice
	Asked     bool
	When      time.Time
	Hz        float64
	Answer    *apiv1.WhoResponse // nil: not asked yet, or wrongly
	Page      string             // where the answer is as a file
	Trouble   *trouble
}

var (
	withins = []choice{{Value: "1m", Words: "a minute"}, {Value: "10m", Words: "10 minutes"}, {Value: "1h", Words: "an hour"}}
	nears   = []choice{{Value: "100", Words: "100 Hz"}, {Value: "1000", Words: "1 kHz"}, {Value: "10000", Words: "10 kHz"}, {Value: "100000", Words: "100 kHz"}}
)

func (c *Console) showWho(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	page := whoPage{At: r.FormValue("at"), Clock: r.FormValue("clock"), Freq: strings.TrimSpace(r.FormValue("freq")), Within: r.FormValue("within"), Near: r.FormValue("near"), Clocks: clocks(n.Fleet), Withins: withins, Nears: nears}
	page.Asked = page.At != "" || page.Freq != ""
	if page.Clock == "" {
		page.Clock = "Etc/UTC"
	}
	status := http.StatusOK
	if page.Asked {
		if page.Answer, err = c.whoWas(r, &page); err != nil {
			if page.Trouble, err = c.formTrouble(err); err != nil {
				return err
			}
			status = page.Trouble.Status
		}
		page.Page = "/who/page?" + r.URL.RawQuery
	}
	c.render(w, r, status, "who", frame{Title: "Who was on the air", Tab: "/report", Body: page})
	return nil
}

// whoWas asks.
func (c *Console) whoWas(r *http.Request, page *whoPage) (*apiv1.WhoResponse, error) {
	clock, err := zone.Load(page.Clock)
	if err != nil {
		return nil, fault.New(fault.Invalid, "clock", "%v", err)
	}
	var wall fleet.LocalTime
	text := page.At
	if len(text) == len("2026-12-01T09:15") {
		text += ":00"
	}
	if err := wall.UnmarshalText([]byte(text)); err != nil {
		return nil, fault.New(fault.Invalid, "at", "say when: %v", err)
	}
	if page.Hz, err = band.ParseHertz(page.Freq); err != nil {
		return nil, fault.New(fault.Invalid, "freq", "%v", err)
	}
	within, err := time.ParseDuration(orFirst(page.Within, withins))
	if err != nil {
		return nil, fault.New(fault.Invalid, "within", "choose how far from the time")
	}
	near, err := band.ParseHertz(orFirst(page.Near, nears))
	if err != nil {
		return nil, fault.New(fault.Invalid, "near", "choose how far from the frequency")
	}
	page.When = wall.In(clock).UTC()
	return c.reports.Who(r.Context(), &apiv1.WhoRequest{At: timestamppb.New(page.When), FrequencyHz: page.Hz, WithinSeconds: within.Seconds(), NearHz: near})
}

func orFirst(value string, of []choice) string {
	if value == "" {
		return of[0].Value
	}
	return value
}

// serveWho gives the answer as a file, with its signature.
func (c *Console) serveWho(w http.ResponseWriter, r *http.Request) error {
	page := whoPage{At: r.FormValue("at"), Clock: r.FormValue("clock"), Freq: r.FormValue("freq"), Within: r.FormValue("within"), Near: r.FormValue("near")}
	answer, err := c.whoWas(r, &page)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="who-`+page.When.Format("20060102T150405Z")+`.txt"`)
	_, _ = fmt.Fprintf(w, "%s\nsignature (Ed25519) %s\nkey %s\n", answer.GetPage(), answer.GetSignature(), answer.GetPublicKey()) // the asker may be gone
	return nil
}
