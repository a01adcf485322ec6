package console

import (
	"context"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// Options are what the console works with; all but Access are required.
type Options struct {
	Services grpc.ClientConnInterface // of package api
	Access   Access                   // nil: Open
	Log      *slog.Logger
	Now      func() time.Time // nil: time.Now
}

// Console is the handler of all pages.
type Console struct {
	options Options
	beacons apiv1.BeaconServiceClient
	fleets  apiv1.FleetServiceClient
	hushes  apiv1.HushServiceClient
	plans   apiv1.PlanServiceClient
	history apiv1.HistoryServiceClient
	alerts  apiv1.AlertServiceClient
	reports apiv1.ReportServiceClient
	trail   apiv1.AuditServiceClient
	people  apiv1.PeopleServiceClient
	heard   apiv1.HeardServiceClient
	devices apiv1.DeviceServiceClient
	publics apiv1.PublicServiceClient
	known   known
	hub     *hub
	rooms   rooms
	handler http.Handler
	viewing atomic.Int64 // live views
	views   sync.WaitGroup
	ended   context.Context //nolint:containedctx // ends the live views
	end     context.CancelFunc
}

// New makes the console. Stop ends its live views.
func New(options Options) *Console {
	if options.Access == nil {
		options.Access = Open{}
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	pages() // what is wrong with them shows now
	c := &Console{
		options: options,
		beacons: apiv1.NewBeaconServiceClient(options.Services), fleets: apiv1.NewFleetServiceClient(options.Services),
		hushes: apiv1.NewHushServiceClient(options.Services), plans: apiv1.NewPlanServiceClient(options.Services),
		history: apiv1.NewHistoryServiceClient(options.Services), alerts: apiv1.NewAlertServiceClient(options.Services),
		reports: apiv1.NewReportServiceClient(options.Services), trail: apiv1.NewAuditServiceClient(options.Services),
		people: apiv1.NewPeopleServiceClient(options.Services), heard: apiv1.NewHeardServiceClient(options.Services),
		devices: apiv1.NewDeviceServiceClient(options.Services), publics: apiv1.NewPublicServiceClient(options.Services),
	}
	c.ended, c.end = context.WithCancel(context.Background())
	c.hub = newHub(c)
	c.handler = c.guard(c.routes())
	return c
}

// ServeHTTP answers a request.
func (c *Console) ServeHTTP(w http.ResponseWriter, r *http.Request) { c.handler.ServeHTTP(w, r) }

// Stop ends the live views and returns when they have ended.
func (c *Console) Stop() {
	c.end()
	c.views.Wait()
}

func (c *Console) routes() http.Handler {
	mux := http.NewServeMux()
	everybody := func(pattern string, show func(http.ResponseWriter, *http.Request) error) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := show(w, r); err != nil {
				c.refuse(w, r, err)
			}
		})
	}
	page := func(pattern string, needs Action, show func(http.ResponseWriter, *http.Request) error) {
		everybody(pattern, func(w http.ResponseWriter, r *http.Request) error {
			if err := c.permit(r, needs); err != nil {
				return err
			}
			return show(w, r)
		})
	}
	mux.HandleFunc("GET /assets/{name}", serveAsset)
	everybody("GET /public", c.showPublic)
	everybody("GET /public/slots", c.servePublicSlots)
	page("GET /{$}", Look, c.showNow)
	page("GET /live", Look, c.serveLive)
	page("GET "+HushPath, Hush, c.showHushForm)
	page("POST "+HushPath, Hush, c.giveHush)
	page("GET "+HushPath+"/{hush}", Look, c.showHush)
	page("GET /release", Release, c.showReleaseForm)
	page("POST /release", Release, c.release)
	page("GET /timeline", Look, c.showTimeline)
	page("GET /timeline/slots", Look, c.serveSlots)
	page("GET /why", Look, c.showWhy)
	page("GET /beacon/{beacon}", Look, c.showBeacon)
	page("GET /beacon/{beacon}/heard", Look, c.showReach)
	page("GET /plan", Look, c.showPlan)
	page("GET /plan/edit", ChangeFleet, c.showEdit)
	page("POST /plan/edit", ChangeFleet, c.tryFleet)
	page("POST /plan/apply", ChangeFleet, c.applyFleet)
	c.formRoutes(page)
	page("GET /where", Look, c.showWhere)
	page("GET /alerts", Look, c.showAlerts)
	page("GET /alerts/{alert}/take", Acknowledge, c.showTakeForm)
	page("POST /alerts/{alert}/take", Acknowledge, c.takeAlert)
	page("GET /silence", Acknowledge, c.showSilenceForm)
	page("POST /silence", Acknowledge, c.addSilence)
	page("POST /silence/{silence}/end", Acknowledge, c.endSilence)
	page("GET /report", Look, c.showReport)
	page("GET /report/file", Look, c.serveReport)
	page("GET /trail", ReadTrail, c.showTrail)
	page("GET /trail/check", ReadTrail, c.checkTrail)
	page("GET /people", ManagePeople, c.showPeople)
	page("POST /people", ManagePeople, c.addPerson)
	page("GET /people/{person}/end", ManagePeople, c.showEndForm)
	page("POST /people/{person}/end", ManagePeople, c.endPerson)
	page("GET /start", Look, c.showStart)
	page("GET /start/agent/{beacon}", Enrol, c.serveAgentConfig)
	page("GET /enrol/{device}", Enrol, c.showEnrol)
	page("POST /enrol/{device}", Enrol, c.enrol)
	page("GET /club", Look, c.showClub)
	page("GET /", Look, func(_ http.ResponseWriter, _ *http.Request) error { return errNoPage })
	return mux
}
