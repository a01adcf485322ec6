package console

import (
	"cmp"
	"encoding/json"
	"strings"

	"lamplighter/coordinator/fleet/form"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// deeds are what people did, by what they called: as it is told of somebody who
// did it, and of somebody who tried to.
var deeds = map[string]struct{ did, tried string }{
	apiv1.AccountService_LogIn_FullMethodName:          {"signed in", "sign in"},
	apiv1.AccountService_ChoosePassword_FullMethodName: {"chose another password", "choose another password"},
	apiv1.AccountService_CreateToken_FullMethodName:    {"made a token for a script", "make a token for a script"},
	apiv1.AccountService_RevokeToken_FullMethodName:    {"ended a token", "end a token"},

	"log in":                 {"signed in", "sign in"},
	"log in through OpenID":  {"signed in through the club’s own accounts", "sign in through the club’s own accounts"},
	"log out":                {"signed out", "sign out"},
	"log out other browsers": {"signed out of all other browsers", "sign out of all other browsers"},
	"choose a password":      {"chose another password", "choose another password"},

	apiv1.PeopleService_AddPerson_FullMethodName:     {"made an account for somebody", "make an account for somebody"},
	apiv1.PeopleService_ChangePerson_FullMethodName:  {"changed somebody’s account", "change somebody’s account"},
	apiv1.PeopleService_EndPerson_FullMethodName:     {"ended somebody’s account", "end somebody’s account"},
	apiv1.PeopleService_ResetPassword_FullMethodName: {"gave somebody another password", "give somebody another password"},

	apiv1.DutyService_StartDuty_FullMethodName:   {"took duty", "take duty"},
	apiv1.DutyService_ConfirmDuty_FullMethodName: {"confirmed being on duty", "confirm being on duty"},
	apiv1.DutyService_EndDuty_FullMethodName:     {"ended duty", "end duty"},
	apiv1.DutyService_AddTurn_FullMethodName:     {"put somebody on the roster", "put somebody on the roster"},
	apiv1.DutyService_RemoveTurn_FullMethodName:  {"took somebody off the roster", "take somebody off the roster"},

	apiv1.BeaconService_GetAgentConfig_FullMethodName: {"fetched the configuration of a beacon’s agent", "fetch the configuration of a beacon’s agent"},

	apiv1.DeviceService_GivePermit_FullMethodName:    {"let a device be enrolled", "let a device be enrolled"},
	apiv1.DeviceService_RevokeDevice_FullMethodName:  {"turned a device out", "turn a device out"},
	apiv1.DeviceService_ReadmitDevice_FullMethodName: {"let a device renew its certificate", "let a device renew its certificate"},

	apiv1.FleetService_ApplyFleet_FullMethodName: {"put a fleet file in force", "put a fleet file in force"},

	apiv1.HeardService_AddReceptions_FullMethodName: {"brought reports of receivers", "bring reports of receivers"},

	apiv1.HushService_Hush_FullMethodName:    {"ordered silence", "order silence"},
	apiv1.HushService_Release_FullMethodName: {"released a hush", "release a hush"},

	apiv1.AlertService_AcknowledgeAlert_FullMethodName: {"took an alert on", "take an alert on"},
	apiv1.AlertService_AddSilence_FullMethodName:       {"silenced alerts", "silence alerts"},
	apiv1.AlertService_EndSilence_FullMethodName:       {"ended a silence of alerts", "end a silence of alerts"},
	apiv1.AlertService_TestAlerts_FullMethodName:       {"sent a test of the alerts", "send a test of the alerts"},
}

// services is what the trail leaves out before the name of a call.
const services = "/lamplighter.api.v1."

// deed is what somebody did, after the name of that person.
func deed(e *apiv1.TrailEntry) string {
	words, known := deeds[e.GetAction()]
	if !known {
		words, known = deeds[services+e.GetAction()]
	}
	about := aboutOf(e.GetDetails())
	switch outcome := e.GetOutcome(); {
	case !known && outcome == "asked":
		return "was " + e.GetAction() // such as asked to take duty
	case !known:
		return "did what is recorded as “" + e.GetAction() + "”: " + outcome
	case outcome == "done":
		return words.did
	case outcome == "refused":
		return "asked to " + words.tried + ", and may not"
	case outcome == "failed":
		return "asked to " + words.tried + ", and it failed" + about
	default:
		return "asked to " + words.tried + about
	}
}

// aboutOf is what an entry's details say in words: of whom or what, and why.
func aboutOf(details string) string {
	var told struct {
		Request struct {
			Reason, Name, Beacon string
			Person               struct{ Name string }
			Scope                struct{ Beacon, Band string }
		}
		Error    struct{ Sentence string }
		Sentence string // of what somebody did with their own account
	}
	if json.Unmarshal([]byte(details), &told) != nil {
		return ""
	}
	about := ""
	if what := cmp.Or(told.Request.Scope.Beacon, told.Request.Scope.Band, told.Request.Beacon, told.Request.Person.Name, told.Request.Name); what != "" {
		about = " (" + what + ")"
	}
	if why := cmp.Or(told.Error.Sentence, told.Sentence, told.Request.Reason); why != "" {
		about += ": " + strings.TrimSuffix(why, ".")
	}
	return about
}

// ways are how somebody came in.
var ways = map[string]string{
	"session": "in a browser", "token": "by a program with a token", "loopback": "on the coordinator’s own computer",
	"start": "at the coordinator’s start", "roster": "by the roster",
}

// way is how somebody came in, in words.
func way(via string) string {
	if words, known := ways[via]; known {
		return words
	}
	return "by " + via
}

// again is a rule of RFC 5545 in words, where they are simple; else as it stands.
func again(rule string) string {
	every := map[string]string{"DAILY": "every day", "WEEKLY": "every week", "MONTHLY": "every month"}
	words, days := "", []string{}
	for part := range strings.SplitSeq(rule, ";") {
		switch key, value, _ := strings.Cut(part, "="); key {
		case "FREQ":
			words = every[value]
		case "BYDAY":
			for day := range strings.SplitSeq(value, ",") {
				days = append(days, weekday(day))
			}
		default:
			return rule
		}
	}
	switch {
	case words == "":
		return rule
	case len(days) == 0:
		return words
	case strings.Contains(strings.Join(days, " "), "?"):
		return rule
	}
	return words + " on " + strings.Join(days, ", ")
}

// weekday is the name of a day that a rule names; with a question mark if there
// is none.
func weekday(code string) string {
	for _, day := range form.Weekdays {
		if day.Value == code {
			return day.Words
		}
	}
	return code + "?"
}
