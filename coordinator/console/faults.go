package console

import (
	"errors"
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

var (
	errNoPage    = fault.New(fault.NotFound, "", "there is no page here")
	errNoNetwork = fault.New(fault.Refused, "", "there is no network yet that this could be about")
	errUnknown   = errors.New("nobody is known behind the request")
	errForbidden = errors.New("the person may not do it")
)

// permit says whether the asker may do what a page does.
func (c *Console) permit(r *http.Request, needs Action) error {
	if _, known := c.options.Access.Who(r.Context()); !known {
		return errUnknown
	}
	if !c.options.Access.May(r.Context(), needs) {
		return errForbidden
	}
	return nil
}

// trouble is an error as a person reads it.
type trouble struct {
	Status   int
	Title    string
	Sentence string
	Next     string // what to do
	Link     string // where to do it; empty: nowhere
	LinkText string
	Field    string // of the form, where one is to blame
	Findings []*apiv1.Finding
}

// understand turns an error of a page or a service into words.
func (c *Console) understand(err error) trouble {
	status, _ := grpcstatus.FromError(err)
	var own *fault.Error
	switch {
	case errors.Is(err, errUnknown), status.Code() == codes.Unauthenticated:
		return trouble{
			Status: http.StatusUnauthorized, Title: "Please say who you are",
			Sentence: "You are not signed in, or your session is over. Nothing was done.",
			Next:     "Sign in, and try again.", Link: c.options.Access.LogIn(), LinkText: "Sign in",
		}
	case errors.Is(err, errForbidden), status.Code() == codes.PermissionDenied:
		return trouble{
			Status: http.StatusForbidden, Title: "That is not yours to do", Sentence: "Your role does not allow this. Nothing was done.",
			Next: "Ask somebody who looks after the network.", Link: "/", LinkText: "What is on the air now",
		}
	case errors.Is(err, errNoNetwork):
		told := tell(errNoNetwork.Kind, fault.Sentence(err), "", nil)
		told.Link, told.LinkText = "/start", "First hour"
		return told
	case errors.As(err, &own):
		return tell(own.Kind, fault.Sentence(own), own.Field, nil)
	}
	told := tell(fault.FromGRPC(status.Code()), status.Message(), "", nil)
	for _, detail := range status.Details() {
		if f, ok := detail.(*apiv1.Fault); ok {
			told.Field, told.Findings = f.GetField(), f.GetFindings()
		}
	}
	return told
}

func tell(kind fault.Kind, sentence, field string, findings []*apiv1.Finding) trouble {
	told := trouble{Status: kind.HTTP(), Sentence: capital(sentence), Field: field, Findings: findings, Link: "/", LinkText: "What is on the air now"}
	switch kind {
	case fault.NotFound:
		told.Title, told.Next = "Not there", "It may have been renamed or taken out of the fleet."
	case fault.Conflict:
		told.Title, told.Next = "Somebody else was first", "What you wrote is kept; look at what changed and try again."
	case fault.Invalid, fault.Usage:
		told.Title, told.Next = "That can't be right", "Go back, correct it and send it again."
	case fault.Refused:
		told.Title, told.Next = "Not as things stand", ""
	case fault.Unavailable, fault.TooLate:
		told.Title, told.Next = "Not just now", "Nothing was done as far as this page knows. Wait a moment and try again."
	default:
		told.Title, told.Next = "Something broke", "It is in the coordinator's log. The beacons go on by their orders and leases."
	}
	return told
}

func capital(sentence string) string {
	if sentence == "" {
		return sentence
	}
	if last := sentence[len(sentence)-1]; last != '.' && last != '?' && last != '!' {
		sentence += "."
	}
	return upper(sentence)
}

// upper begins words with a capital.
func upper(words string) string {
	if words == "" {
		return words
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// refuse answers with an error: a page for people, a line for a script.
func (c *Console) refuse(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the asker is gone
	}
	told := c.understand(err)
	if told.Status >= http.StatusInternalServerError {
		c.options.Log.ErrorContext(r.Context(), "a page failed", "path", r.URL.Path, "error", err)
	}
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Error(w, told.Sentence, told.Status)
		return
	}
	c.render(w, r, told.Status, "trouble", frame{Title: told.Title, Body: told})
}
