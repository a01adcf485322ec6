package console

import (
	"net/http"
	"strings"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// drillPage sends messages that say they are tests.
type drillPage struct {
	Recipients []string
	Recipient  string
	Reason     string
	Sent       []string // to whom it is on its way
	Trouble    *trouble
}

func (c *Console) showDrill(w http.ResponseWriter, r *http.Request) error {
	return c.askDrill(w, r, http.StatusOK, drillPage{})
}

func (c *Console) askDrill(w http.ResponseWriter, r *http.Request, status int, page drillPage) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	for _, to := range n.Alerts.Recipients {
		page.Recipients = append(page.Recipients, to.Name)
	}
	c.render(w, r, status, "drill", frame{Title: "Try the alerts", Tab: "/alerts", Scripts: []string{"forms.js"}, Body: page})
	return nil
}

// drill sends a test to one recipient or to all.
func (c *Console) drill(w http.ResponseWriter, r *http.Request) error {
	page := drillPage{Recipient: r.PostFormValue("recipient"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	sent, err := c.alerts.TestAlerts(r.Context(), &apiv1.TestAlertsRequest{Recipient: page.Recipient, Reason: page.Reason})
	if err == nil {
		return c.askDrill(w, r, http.StatusOK, drillPage{Sent: sent.GetRecipients()})
	}
	if page.Trouble, err = c.formTrouble(err); err != nil {
		return err
	}
	return c.askDrill(w, r, page.Trouble.Status, page)
}
