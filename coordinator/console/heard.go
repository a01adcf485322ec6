package console

import (
	"errors"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/heard"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// heardPage takes in what receivers report, and shows what came of it.
type heardPage struct {
	File        string // that was just taken in
	Added       *apiv1.AddReceptionsResponse
	Unmatched   []*apiv1.UnmatchedReception
	Corrections []*apiv1.Correction
	Columns     []string
	Trouble     *trouble
}

// heardBack is how far back reports are looked at.
const heardBack = 28 * 24 * time.Hour

// unmatchedReasons are why a report matches no transmission, in words.
var unmatchedReasons = map[string]string{
	"unknown_callsign": "no beacon of ours has the call sign", "not_ordered": "we were not to transmit in the slot",
	"other_band": "we were on another band in the slot", "not_sent": "it was ordered, and the beacon says it was silent",
	"waiting": "the beacon has not said yet how the slot ended",
}

func unmatchedReason(code string) string {
	if words, known := unmatchedReasons[code]; known {
		return words
	}
	return reason(code)
}

func (c *Console) showHeard(w http.ResponseWriter, r *http.Request) error {
	return c.listHeard(w, r, http.StatusOK, heardPage{})
}

func (c *Console) listHeard(w http.ResponseWriter, r *http.Request, status int, page heardPage) error {
	now := c.options.Now()
	from, to := timestamppb.New(now.Add(-heardBack)), timestamppb.New(now)
	unmatched, err := c.heard.ListUnmatched(r.Context(), &apiv1.ListUnmatchedRequest{From: from, To: to})
	if err != nil {
		return err
	}
	proposed, err := c.heard.ProposeCorrections(r.Context(), &apiv1.ProposeCorrectionsRequest{From: from, To: to})
	if err != nil {
		return err
	}
	page.Unmatched, page.Corrections, page.Columns = unmatched.GetReceptions(), proposed.GetCorrections(), heard.Columns()
	c.render(w, r, status, "heardpage", frame{Title: "Receptions", Tab: "/report", Scripts: []string{"forms.js"}, Body: page})
	return nil
}

// addHeard takes a file in.
func (c *Console) addHeard(w http.ResponseWriter, r *http.Request) error {
	name, file, err := sentFile(r)
	page := heardPage{File: name}
	if err == nil {
		form := "csv"
		if ending := strings.ToLower(filepath.Ext(name)); ending == ".adi" || ending == ".adif" {
			form = "adif"
		}
		page.Added, err = c.heard.AddReceptions(r.Context(), &apiv1.AddReceptionsRequest{File: file, Form: form})
	}
	if err == nil {
		return c.listHeard(w, r, http.StatusOK, page)
	}
	if page.Trouble, err = c.formTrouble(err); err != nil {
		return err
	}
	return c.listHeard(w, r, page.Trouble.Status, page)
}

// sentFile reads the file of a form, piece by piece and never more than is taken.
func sentFile(r *http.Request) (name string, file []byte, err error) {
	parts, err := r.MultipartReader()
	if err != nil {
		return "", nil, fault.New(fault.Invalid, "file", "the form was not sent whole; open it again")
	}
	for {
		part, err := parts.NextPart()
		if err != nil {
			return "", nil, fault.New(fault.Invalid, "file", "choose a file")
		}
		if part.FormName() != "file" {
			continue
		}
		name = filepath.Base(part.FileName())
		file, err = io.ReadAll(io.LimitReader(part, heard.MaxBytes+1))
		var tooLarge *http.MaxBytesError
		switch {
		case len(file) > heard.MaxBytes, errors.As(err, &tooLarge):
			return name, nil, fault.New(fault.Invalid, "file", "a file has %d MiB at most: give it in parts", heard.MaxBytes>>20)
		case err != nil:
			return name, nil, fault.New(fault.Invalid, "file", "the file did not arrive whole; send it again")
		case part.FileName() == "" || len(file) == 0:
			return name, nil, fault.New(fault.Invalid, "file", "choose a file with something in it")
		}
		return name, file, nil
	}
}
