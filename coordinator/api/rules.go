package api

import (
	"context"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/people"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// rule says who may call a method. A method without one is refused to
// everybody, and fails a test.
type rule struct {
	action     people.Action // empty: anybody at all
	sites      sitesOf       // which sites a call concerns; nil: none in particular
	changes    bool          // stands in the trail
	afterwards bool          // stands there only once it is over
	hidden     bool          // the answer does not stand there
	silences   bool          // an order to be silent, which nothing may hold up
}

// sitesOf names the sites that a request concerns; none is the whole network.
type sitesOf func(ctx context.Context, known known, request proto.Message) ([]string, error)

// known is where it is looked up whose something is.
type known struct {
	fleets *store.Fleets
	store  *store.Store
}

// rules are the one place where it is decided who may call what.
var rules = map[string]rule{
	apiv1.AccountService_LogIn_FullMethodName:          {changes: true, afterwards: true},
	apiv1.AccountService_ChoosePassword_FullMethodName: {changes: true, afterwards: true},
	apiv1.AccountService_WhoAmI_FullMethodName:         {action: people.OwnAccount},
	apiv1.AccountService_CreateToken_FullMethodName:    {action: people.See, changes: true},
	apiv1.AccountService_ListTokens_FullMethodName:     {action: people.See},
	apiv1.AccountService_RevokeToken_FullMethodName:    {action: people.See, changes: true},

	// What the fleet file wants everybody to know, and nothing where it wants nothing.
	apiv1.PublicService_GetPublic_FullMethodName: {},

	apiv1.PeopleService_ListPeople_FullMethodName:    {action: people.ManagePeople},
	apiv1.PeopleService_AddPerson_FullMethodName:     {action: people.ManagePeople, changes: true},
	apiv1.PeopleService_ChangePerson_FullMethodName:  {action: people.ManagePeople, changes: true},
	apiv1.PeopleService_EndPerson_FullMethodName:     {action: people.ManagePeople, changes: true},
	apiv1.PeopleService_ResetPassword_FullMethodName: {action: people.ManagePeople, changes: true},

	apiv1.AuditService_ListEntries_FullMethodName: {action: people.ReadTrail},
	apiv1.AuditService_VerifyTrail_FullMethodName: {action: people.ReadTrail},

	apiv1.DutyService_GetDuty_FullMethodName:     {action: people.See},
	apiv1.DutyService_StartDuty_FullMethodName:   {action: people.TakeDuty, sites: siteField, changes: true},
	apiv1.DutyService_ConfirmDuty_FullMethodName: {action: people.TakeDuty, sites: siteField, changes: true},
	apiv1.DutyService_EndDuty_FullMethodName:     {action: people.TakeDuty, sites: siteField, changes: true},
	apiv1.DutyService_AddTurn_FullMethodName:     {action: people.TakeDuty, sites: siteField, changes: true},
	apiv1.DutyService_RemoveTurn_FullMethodName:  {action: people.TakeDuty, sites: siteField, changes: true},

	apiv1.BeaconService_ListBeacons_FullMethodName:    {action: people.See},
	apiv1.BeaconService_WatchBeacons_FullMethodName:   {action: people.See},
	apiv1.BeaconService_GetAgentConfig_FullMethodName: {action: people.Enrol, changes: true, hidden: true},

	apiv1.DeviceService_GivePermit_FullMethodName:       {action: people.Enrol, changes: true, hidden: true},
	apiv1.DeviceService_ListDevices_FullMethodName:      {action: people.See},
	apiv1.DeviceService_RevokeDevice_FullMethodName:     {action: people.Enrol, changes: true},
	apiv1.DeviceService_ReadmitDevice_FullMethodName:    {action: people.Enrol, changes: true},
	apiv1.DeviceService_ListDeviceEvents_FullMethodName: {action: people.See},

	apiv1.FleetService_GetFleet_FullMethodName:   {action: people.See},
	apiv1.FleetService_DiffFleet_FullMethodName:  {action: people.See},
	apiv1.FleetService_ApplyFleet_FullMethodName: {action: people.ChangeFleet, changes: true},

	apiv1.PlanService_GetPlan_FullMethodName: {action: people.See},

	apiv1.HistoryService_ListSlots_FullMethodName:  {action: people.See},
	apiv1.HistoryService_ListHealth_FullMethodName: {action: people.See},
	apiv1.HistoryService_GetHush_FullMethodName:    {action: people.See},

	apiv1.ReportService_GetReport_FullMethodName: {action: people.See},
	apiv1.ReportService_Who_FullMethodName:       {action: people.See},

	apiv1.HeardService_AddReceptions_FullMethodName:      {action: people.Acknowledge, changes: true, hidden: true},
	apiv1.HeardService_ListUnmatched_FullMethodName:      {action: people.See},
	apiv1.HeardService_ProposeCorrections_FullMethodName: {action: people.See},

	apiv1.HushService_Hush_FullMethodName:       {action: people.Hush, sites: scopeField, changes: true, silences: true},
	apiv1.HushService_Release_FullMethodName:    {action: people.Release, sites: scopeField, changes: true},
	apiv1.HushService_ListHushes_FullMethodName: {action: people.See},

	apiv1.AlertService_ListAlerts_FullMethodName:       {action: people.See},
	apiv1.AlertService_AcknowledgeAlert_FullMethodName: {action: people.Acknowledge, sites: siteField, changes: true},
	apiv1.AlertService_AddSilence_FullMethodName:       {action: people.Acknowledge, sites: placeOfSilence, changes: true},
	apiv1.AlertService_EndSilence_FullMethodName:       {action: people.Acknowledge, sites: placeOfEndedSilence, changes: true},
	apiv1.AlertService_ListSilences_FullMethodName:     {action: people.See},
	apiv1.AlertService_TestAlerts_FullMethodName:       {action: people.ManagePeople, changes: true},

	// What other machines ask to see whether this one is well, and what a program
	// asks to learn what can be called: no state of the network is in it.
	"/grpc.health.v1.Health/Check":                                   {},
	"/grpc.health.v1.Health/List":                                    {},
	"/grpc.health.v1.Health/Watch":                                   {},
	"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo":      {},
	"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": {},
}

// siteField is the site that a request names itself.
func siteField(_ context.Context, _ known, request proto.Message) ([]string, error) {
	if r, ok := request.(interface{ GetSite() string }); ok && r.GetSite() != "" {
		return []string{r.GetSite()}, nil
	}
	return nil, nil
}

// scopeField is the site of a request's scope, or of the beacon in it.
func scopeField(ctx context.Context, known known, request proto.Message) ([]string, error) {
	r, ok := request.(interface{ GetScope() *apiv1.HushedScope })
	if !ok {
		return nil, nil
	}
	return known.siteOfScope(ctx, r.GetScope())
}

func (k known) siteOfScope(ctx context.Context, scope *apiv1.HushedScope) ([]string, error) {
	if scope.GetBeacon() == "" {
		if scope.GetSite() == "" {
			return nil, nil
		}
		return []string{scope.GetSite()}, nil
	}
	current, err := k.fleets.Soon(ctx)
	if err != nil {
		return nil, err
	}
	if current == nil || current.Beacon(scope.GetBeacon()) == nil {
		return nil, nil // whose it is nobody can say: whoever may everywhere decides
	}
	return []string{current.Beacon(scope.GetBeacon()).Site.Name}, nil
}
