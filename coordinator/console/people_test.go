package console_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// entriesPlayed is how long the trail of the stage is.
const entriesPlayed = 120

// ListEntries tells of a trail in which every third entry is Kim's hush.
func (s *stage) ListEntries(_ context.Context, r *apiv1.ListEntriesRequest) (*apiv1.ListEntriesResponse, error) {
	if len(r.GetText()) > 20 {
		return nil, grpcstatus.Error(codes.InvalidArgument, "nothing to look for has more than 20 characters")
	}
	answer := &apiv1.ListEntriesResponse{}
	for number := int64(entriesPlayed); number > 0 && len(answer.GetEntries()) < int(r.GetMost()); number-- {
		e := &apiv1.TrailEntry{
			Number: number, At: timestamppb.New(began), Person: "robin", From: "192.0.2.7", Via: "session", Action: "FleetService/ApplyFleet",
			Outcome: "refused", Details: `{"request":{"yaml":"` + strings.Repeat("x", 300) + `"}}`,
		}
		if number%3 == 0 {
			e.Person, e.Action, e.Site, e.Outcome, e.Details = "kim", "HushService/Hush", "mill", "done", fmt.Sprintf(`{"hush":%d}`, number)
		}
		if (r.GetBefore() == 0 || number < r.GetBefore()) && (r.GetPerson() == "" || r.GetPerson() == e.GetPerson()) && (r.GetSite() == "" || r.GetSite() == e.GetSite()) {
			answer.Entries = append(answer.Entries, e)
		}
	}
	return answer, nil
}

func (s *stage) VerifyTrail(context.Context, *apiv1.VerifyTrailRequest) (*apiv1.VerifyTrailResponse, error) {
	return &apiv1.VerifyTrailResponse{Entries: entriesPlayed, Head: []byte{0xca, 0xfe}}, nil
}

func (s *stage) ListPeople(context.Context, *apiv1.ListPeopleRequest) (*apiv1.ListPeopleResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	answer := &apiv1.ListPeopleResponse{}
	for _, p := range s.people {
		answer.People = append(answer.People, proto.CloneOf(p))
	}
	return answer, nil
}

func (s *stage) AddPerson(_ context.Context, r *apiv1.AddPersonRequest) (*apiv1.AddPersonResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.people {
		if p.GetName() == r.GetPerson().GetName() {
			return nil, grpcstatus.Error(codes.Aborted, "there is an account of that name")
		}
	}
	added := proto.CloneOf(r.GetPerson())
	added.CreatedAt, added.PasswordDue = timestamppb.New(s.now()), true
	s.people = append(s.people, added)
	return &apiv1.AddPersonResponse{Password: "tide-lamp-quarry"}, nil
}

func (s *stage) EndPerson(_ context.Context, r *apiv1.EndPersonRequest) (*apiv1.EndPersonResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.people {
		if p.GetName() == r.GetName() {
			p.EndedAt = timestamppb.New(s.now())
		}
	}
	return &apiv1.EndPersonResponse{}, nil
}

// TestTrail looks for what somebody did, goes on to what is older without losing
// what was looked for, and checks the trail.
func TestTrail(t *testing.T) {
	t.Parallel()
	_, v := enter(t, "admin", desk, "/trail")
	v.says("robin asked to put a fleet file in force, and may not.")
	v.says("kim ordered silence.")
	v.await(`document.querySelector(".entries details code").textContent === "HushService/Hush"`)
	v.do(chromedp.SendKeys(chromedp.CSS("#person"), "robin"))
	v.click(".search button")
	v.await(`!document.querySelector(".entries").textContent.includes("HushService")`)
	v.click(`a.button[href*="before="]`)
	v.await(`document.querySelectorAll(".entries > li").length === 30`)
	if value[bool](v, `document.querySelector(".entries").textContent.includes("kim")`) || !value[bool](v, `document.querySelector("#person").value === "robin"`) {
		t.Error("what was looked for is lost on the next page")
	}
	v.goTo("/trail?text=" + strings.Repeat("a", 30))
	v.says("Nothing to look for has more than 20 characters")
	v.goTo("/trail/check")
	v.says("All 120 entries are in order")
	v.says("cafe")
}

// TestPeople makes an account, keeps what was written where it is refused, shows
// the password once, and ends an account after asking.
func TestPeople(t *testing.T) {
	t.Parallel()
	_, v := enter(t, "admin", phone, "/people")
	v.says("kim, operator at mill, harbour")
	v.do(chromedp.SendKeys(chromedp.CSS("#name"), "kim"), chromedp.SendKeys(chromedp.CSS("#contact"), "at the quay"))
	v.click(`input[name="site"][value="mill"]`)
	v.click("main form button")
	v.says("There is an account of that name")
	if !value[bool](v, `document.querySelector("#contact").value === "at the quay" && document.querySelector('input[value="mill"]').checked && !document.querySelector('input[value="harbour"]').checked`) {
		t.Error("what was written is lost")
	}
	v.await(`(document.querySelector("#name").value = "kimberly") !== ""`)
	v.click("main form button")
	v.says("tide-lamp-quarry")
	v.says("kimberly, viewer at mill")
	v.goTo("/people")
	if strings.Contains(v.text(), "tide-lamp-quarry") {
		t.Error("the password is shown twice")
	}
	v.click(`a[href="/people/kim/end"]`)
	v.says("End kim’s account?")
	v.click("main form button")
	v.says("ended 2026-12-01")
}

// TestTrailIsForAdmins does not even lead others to it, and refuses a form that
// they send all the same.
func TestTrailIsForAdmins(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "operator")
	page, _ := get(t, s.url+"/")
	if strings.Contains(page, `href="/trail"`) || strings.Contains(page, `href="/people"`) || !strings.Contains(page, `href="/alerts"`) {
		t.Error("an operator is led to what only admins may see, or not to the alerts")
	}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.url+"/people", strings.NewReader("name=mallory&role=admin"))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // nothing of it is read
	if answer.StatusCode != http.StatusForbidden || len(s.people) != 2 {
		t.Errorf("status %d, %d people", answer.StatusCode, len(s.people))
	}
}
