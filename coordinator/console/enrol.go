package console

import (
	"net/http"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// enrolPage lets a device in, for a beacon or a receiver.
type enrolPage struct {
	Name     string
	Receiver bool
	Device   *apiv1.Device // that it has or had; nil: none
	Replace  bool
	Permit   *apiv1.GivePermitResponse // given just now, and shown only here
	Trouble  *trouble
}

// newDevice is the page for the device of a request's path.
func (c *Console) newDevice(r *http.Request) (enrolPage, error) {
	page := enrolPage{Name: r.PathValue("device")}
	n, err := c.network(r.Context())
	switch {
	case err != nil:
		return page, err
	case n.Fleet == nil:
		return page, errNoNetwork
	case !n.HasDevice(page.Name):
		return page, fault.New(fault.NotFound, "device", "there is no beacon and no receiver %.64q in the fleet", page.Name)
	}
	page.Receiver = n.Beacon(page.Name) == nil
	listed, err := c.devices.ListDevices(r.Context(), &apiv1.ListDevicesRequest{})
	for _, d := range listed.GetDevices() {
		if d.GetBeacon() == page.Name {
			page.Device = d
		}
	}
	return page, err
}

func (c *Console) askEnrol(w http.ResponseWriter, r *http.Request, status int, page enrolPage) error {
	c.render(w, r, status, "enrol", frame{Title: "A device for " + page.Name, Scripts: []string{"forms.js"}, Body: page})
	return nil
}

func (c *Console) showEnrol(w http.ResponseWriter, r *http.Request) error {
	page, err := c.newDevice(r)
	if err != nil {
		return err
	}
	return c.askEnrol(w, r, http.StatusOK, page)
}

// enrol gives leave to enrol, once.
func (c *Console) enrol(w http.ResponseWriter, r *http.Request) error {
	page, err := c.newDevice(r)
	if err != nil {
		return err
	}
	page.Replace = r.PostFormValue("replace") != ""
	page.Permit, err = c.devices.GivePermit(r.Context(), &apiv1.GivePermitRequest{Beacon: page.Name, Replace: page.Replace})
	if err == nil {
		return c.askEnrol(w, r, http.StatusOK, page)
	}
	page.Permit = nil
	if page.Trouble, err = c.formTrouble(err); err != nil {
		return err
	}
	return c.askEnrol(w, r, page.Trouble.Status, page)
}
