package weekly

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"lamplighter/coordinator/report"
	"lamplighter/coordinator/store"
)

// Letter is a weekly report as mail. All of it is the same each time it is sent.
type Letter struct {
	To        string
	MessageID string // without angle brackets
	Subject   string
	Text      string // for readers without HTML
	Page      []byte // HTML
	Paper     []byte // PDF, to be attached
	File      string // its name
}

// finalError is the word of a server that it will never take a mail.
type finalError struct{ error }

// Final marks an error after which a mail is not tried again.
func Final(err error) error { return finalError{err} }

func isFinal(err error) bool {
	var final finalError
	return errors.As(err, &final)
}

// letterOf is a mail's letter.
func letterOf(m store.ReportMail) (Letter, error) {
	var r report.Report
	if err := json.Unmarshal(m.Figures, &r); err != nil {
		return Letter{}, Final(err)
	}
	scope := m.Site
	if scope == "" {
		scope = "network"
	}
	l := Letter{
		To: m.Recipient, Subject: fmt.Sprintf("%s: %s", r.Title(), r.When()), Page: m.Page, Paper: m.Paper,
		MessageID: fmt.Sprintf("report-%s-%s-%d-%x@%s.lamplighter", m.Week, scope, m.Revision, m.Recipient, r.ID),
		File:      fmt.Sprintf("%s-%s-%s.pdf", r.ID, scope, m.Week),
	}
	if m.Revision > 1 {
		l.Subject += fmt.Sprintf(" (revision %d)", m.Revision)
		l.Text = "Changed since the revision before: " + strings.Join(r.Revised, "; ") + ".\n\n"
	}
	l.Text += strings.Join(r.Summary(), "\n") + "\n\nThe whole report is in the HTML part of this mail, and attached as PDF.\n"
	return l, nil
}
