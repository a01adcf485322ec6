package console

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/fleet/form"
	"lamplighter/coordinator/fleet/rewrite"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// draft is the fleet file in force, for a form to change a thing in.
type draft struct {
	text    string
	root    rewrite.Map
	version int64 // 0: there is none in force yet
	by      string
	at      time.Time
}

// blank is the text that a form begins with where no fleet file is in force.
const blank = "network: {}\nsites: []\nbeacons: []\n"

func (c *Console) draft(ctx context.Context) (draft, error) {
	file, err := c.fleets.GetFleet(ctx, &apiv1.GetFleetRequest{})
	if err != nil {
		return draft{}, err
	}
	d := draft{text: file.GetYaml(), version: file.GetVersion(), by: file.GetAppliedBy(), at: file.GetAppliedAt().AsTime()}
	if d.version == 0 {
		d.text = blank
	}
	said, err := rewrite.Read(d.text)
	root, ok := said.(rewrite.Map)
	if err != nil || !ok {
		return draft{}, byHand(rewrite.ErrByHand)
	}
	d.root = root
	return d, nil
}

// byHand sends a person to the file's text where a form can't change it.
func byHand(err error) error { return fault.New(fault.Refused, "yaml", "%v", err) }

// section is where in the file the things of a kind stand.
func section(kind string) string {
	switch kind {
	case "network", "public", "reports":
		return kind
	case "recipient":
		return "alerts.recipients"
	case "limits":
		return "alerts.limits"
	case "pause":
		return "pauses"
	case "dark":
		return "dark"
	}
	return kind + "s"
}

func (d draft) list(kind string) rewrite.List {
	list, _ := form.At(d.root, section(kind)).(rewrite.List)
	return list
}

// nameless kinds are there once.
func nameless(kind string) bool { return slices.Contains(onlyOnce, kind) }

var onlyOnce = []string{"network", "public", "limits", "reports"}

// The thing that is asked about reports is the list of them, under its key.
const reports = "reports"

// thing is what stands under a name; nil where nothing does.
func (d draft) thing(kind, name string) rewrite.Map {
	if list := d.list(kind); kind == reports && list != nil {
		return rewrite.Map{{Key: reports, Value: list}}
	}
	if nameless(kind) {
		m, _ := form.At(d.root, section(kind)).(rewrite.Map)
		return m
	}
	if i := d.index(kind, name); i >= 0 {
		m, _ := d.list(kind)[i].(rewrite.Map)
		return m
	}
	return nil
}

func (d draft) index(kind, name string) int {
	return slices.IndexFunc(d.list(kind), func(v rewrite.Value) bool {
		m, ok := v.(rewrite.Map)
		return ok && m.Get("name") == rewrite.Text(name)
	})
}

var sectionOrder = []string{"network", "sites", "beacons", "pauses", "alerts", "limits", "recipients", "dark", "reports", "receivers", "public"}

// with is the file's text with a thing put in a place of its list, -1 being
// behind the last; nil takes out what is there. It says where in the file the
// thing stands.
func (d draft) with(kind string, index int, thing rewrite.Map) (text, path string, err error) {
	root, path := d.root, section(kind)
	switch {
	case kind == reports:
		root = root.With(reports, thing.Get(reports), sectionOrder)
	case nameless(kind) && len(thing) == 0 && kind != "network":
		root = form.Put(root, path, nil, sectionOrder)
	case nameless(kind):
		root = form.Put(root, path, thing, sectionOrder)
	default:
		list := slices.Clone(d.list(kind))
		switch {
		case index < 0:
			index = len(list)
			list = append(list, thing)
		case thing == nil:
			list = slices.Delete(list, index, index+1)
		default:
			list[index] = thing
		}
		path = fmt.Sprintf("%s[%d]", section(kind), index)
		var kept rewrite.Value = list
		if len(list) == 0 && kind != "site" && kind != "beacon" { // which there must be
			kept = nil // the section may be missing
		}
		root = form.Put(root, section(kind), kept, sectionOrder)
	}
	text, err = rewrite.To(d.text, root)
	if err != nil {
		return "", "", byHand(err)
	}
	return text, path, nil
}

// findings are what package fleet says of a text: what concerns the thing at a
// path, by the key within it, and what concerns all else.
func findings(text, path string, place func(key string) string) (own map[string][]string, others fleet.Findings) {
	_, err := fleet.Read("fleet file", []byte(text))
	all, ok := errors.AsType[fleet.Findings](err)
	if !ok {
		return nil, nil
	}
	own = map[string][]string{}
	for _, f := range all {
		key, within := strings.CutPrefix(f.Path, path)
		if !within || key != "" && key[0] != '.' && key[0] != '[' {
			others = append(others, f)
			continue
		}
		field := place(strings.TrimPrefix(key, "."))
		own[field] = append(own[field], capital(f.Sentence))
	}
	return own, others
}

// offAir are the kinds of things that have no part in what is on the air.
var offAir = []string{"recipient", "limits", reports, "receiver", "public"}

// try says what a text would change, in which a thing of a kind is another, for the airtime in the day from a time on;
// zero is now.
func (c *Console) try(ctx context.Context, kind, text string, from time.Time) (*tried, error) {
	diff, err := c.fleets.DiffFleet(ctx, &apiv1.DiffFleetRequest{File: "fleet file", Yaml: text})
	if err != nil {
		return nil, err
	}
	t := &tried{Changes: diff.GetChanges(), Warnings: diff.GetWarnings(), From: from, Untouched: slices.Contains(offAir, kind)}
	if t.Untouched {
		return t, nil
	}
	return t, c.compare(ctx, text, t)
}

// putInForce puts a text in force that was made from a draft.
func (c *Console) putInForce(ctx context.Context, d draft, text string) error {
	_, err := c.fleets.ApplyFleet(ctx, &apiv1.ApplyFleetRequest{File: "fleet.yaml", Yaml: text, BasedOn: d.version})
	return err
}
