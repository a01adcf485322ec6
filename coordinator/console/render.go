package console

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"lamplighter/coordinator/report"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed assets
var assetFiles embed.FS

// assetNames are the addresses of assets: with a digest in them, a browser may
// keep them for ever.
var assetNames, assetBytes = readAssets()

func readAssets() (names map[string]string, contents map[string][]byte) {
	names, contents = map[string]string{}, map[string][]byte{}
	files, err := fs.ReadDir(assetFiles, "assets")
	if err != nil {
		panic(err) // they are compiled in
	}
	for _, file := range files {
		content, err := assetFiles.ReadFile("assets/" + file.Name())
		if err != nil {
			panic(err)
		}
		digest, ext := sha256.Sum256(content), path.Ext(file.Name())
		name := strings.TrimSuffix(file.Name(), ext) + "." + hex.EncodeToString(digest[:6]) + ext
		names[file.Name()], contents[name] = "/assets/"+name, content
	}
	return names, contents
}

func serveAsset(w http.ResponseWriter, r *http.Request) {
	content, known := assetBytes[r.PathValue("name")]
	if !known {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(r.PathValue("name"))))
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	_, _ = w.Write(content) // the asker may be gone
}

// pages are read when a console is made: the program has many commands without one.
var pages = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("").Funcs(functions).ParseFS(templateFiles, "templates/*.html"))
})

// functions are what templates may call.
var functions = template.FuncMap{
	"asset": func(name string) (string, error) {
		if address, known := assetNames[name]; known {
			return address, nil
		}
		return "", fmt.Errorf("there is no asset %s", name)
	},
	"hertz": hertz, "seconds": seconds, "length": length, "clock": clockTime, "daytime": dayTime, "machine": machineTime,
	"machineMs": func(t time.Time) int64 { return t.UnixMilli() }, "scopeWords": scopeWords, "scopeValue": valueOf, "stripWords": stripWords,
	"count": count, "count64": func(n int64, one, many string) string { return count(int(n), one, many) }, "percent": percent, "reason": reason, "patternID": patternID, "capital": capital, "upper": upper, "look": look,
	"severity": severity, "alertState": alertState, "takeable": takeable, "place": place, "conditionWords": conditionWords,
	"outcomes": func() []string { return outcomes }, "deed": deed, "way": way, "roleWords": roleWords, "zoneWords": zoneWords, "again": again, "day": func(t time.Time) string { return t.UTC().Format(time.DateOnly) }, "share": report.Percent, "airtime": report.HoursMinutes, "number": report.Number[int64],
	"mul":   func(a, b int) int { return a * b },
	"strip": func(bars int) int { return max(1, bars)*14 - 3 }, "unmatched": unmatchedReason,
	"minus": func(a, b float64) float64 { return math.Round((a-b)*10) / 10 },
	"part":  func(a, b int64) int64 { return min(100, 100*a/b) },
	"dict": func(pairs ...any) map[string]any {
		all := map[string]any{}
		for i := 0; i+1 < len(pairs); i += 2 {
			all[fmt.Sprint(pairs[i])] = pairs[i+1]
		}
		return all
	},
}

// frame is what stands around every page.
type frame struct {
	Title   string
	Tab     string // the path of the tab that is open
	Live    bool   // the script listens to what changes
	Since   uint64 // up to which batch of news the page shows
	Refresh int    // seconds after which a browser without script loads it again; 0: never
	Scripts []string
	Bare    bool // no tabs: a screen that nobody touches
	Public  bool // for everybody: it says what stands around it itself
	Ahead   bool // of the database, which is not asked for what stands around it
	Body    any

	Person         Person
	MayHush        bool
	MayRelease     bool
	MayChange      bool
	MayEnrol       bool
	MayAcknowledge bool
	MayManage      bool
	Network        string
	SlotSeconds    int64
	Now            time.Time
	Hushes         []*apiv1.HushInForce
	Bands          []pattern
	Known          bool   // a person is known
	LogIn          string // where a person who is not known says who they are
	LogOut         string
	Account        string
	Tabs           []tab

	mayAt func(do Action, site string) bool
}

// MayHushAt says whether the person may order silence at a site.
func (f frame) MayHushAt(site string) bool { return f.mayAt != nil && f.mayAt(Hush, site) }

type tab struct {
	Path, Words string
	Needs       Action // empty: no more than to look
	Open        bool
}

var tabs = []tab{
	{Path: "/", Words: "Now"},
	{Path: "/timeline", Words: "Timeline"},
	{Path: "/plan", Words: "Plan"},
	{Path: "/where", Words: "Where"},
	{Path: "/alerts", Words: "Alerts"},
	{Path: "/report", Words: "Report"},
	{Path: "/trail", Words: "Trail", Needs: ReadTrail},
	{Path: "/people", Words: "People", Needs: ManagePeople},
}

// fill completes what stands around a page, as far as it can be known.
func (c *Console) fill(r *http.Request, f *frame) {
	ctx, access := r.Context(), c.options.Access
	f.Person, f.Known = access.Who(ctx)
	f.Now = c.options.Now().UTC()
	if f.Public {
		f.Known, f.LogIn = false, access.LogIn()
		return
	}
	f.SlotSeconds = 120
	if !f.Known {
		return
	}
	f.LogOut, f.Account = access.LogOut(), access.Account()
	f.MayHush, f.MayRelease = access.May(ctx, Hush), access.May(ctx, Release)
	f.MayChange, f.MayEnrol = access.May(ctx, ChangeFleet), access.May(ctx, Enrol)
	f.MayAcknowledge, f.MayManage = access.May(ctx, Acknowledge), access.May(ctx, ManagePeople)
	f.mayAt = func(do Action, site string) bool { return access.MayAt(ctx, do, site) }
	for _, t := range tabs {
		if t.Needs != "" && !access.May(ctx, t.Needs) {
			continue
		}
		t.Open = t.Path == f.Tab
		f.Tabs = append(f.Tabs, t)
	}
	if f.Ahead {
		return
	}
	if n, err := c.network(ctx); err == nil && n.Fleet != nil {
		f.Network, f.SlotSeconds, f.Bands = n.Network.Name, int64(n.Network.Slot), patternsOf(n.bandNames())
	}
	if list, err := c.hushes.ListHushes(ctx, &apiv1.ListHushesRequest{}); err == nil {
		f.Hushes = list.GetHushes()
	}
}

// render answers with a page, whole or not at all.
func (c *Console) render(w http.ResponseWriter, r *http.Request, status int, name string, f frame) {
	c.fill(r, &f)
	var text bytes.Buffer
	body, err := fragment(name, map[string]any{"Frame": f, "Body": f.Body})
	if err == nil {
		err = pages().ExecuteTemplate(&text, "frame", map[string]any{"Frame": f, "Main": template.HTML(body)}) //nolint:gosec // made by a template
	}
	if err != nil {
		c.options.Log.ErrorContext(r.Context(), "a page could not be made", "page", name, "error", err)
		http.Error(w, "The page could not be made; the coordinator's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(text.Bytes()) // the asker may be gone
}

// fragment makes a piece of a page.
func fragment(name string, data any) (string, error) {
	var text bytes.Buffer
	err := pages().ExecuteTemplate(&text, name, data)
	return text.String(), err
}
