// Package print makes the PDF of a report: A4, for the notice board and for
// those who keep paper.
//
// It draws by itself and needs no browser; the typeface is in the file. It shows
// what the page shows, and decides nothing: figures and their words come from
// package report.
package print

import (
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"lamplighter/coordinator/report"
)

// Millimetres of the page.
const (
	margin = 15.0
	width  = 210 - 2*margin
	bottom = 297 - margin
)

type colour struct{ r, g, b int }

var (
	ink  = colour{29, 36, 48}
	soft = colour{91, 101, 117}
	line = colour{220, 218, 210}
	card = colour{244, 242, 236}
	lamp = colour{180, 84, 10}
	good = colour{47, 125, 79}
	part = colour{217, 161, 59}
	bad  = colour{179, 53, 43}
	blue = colour{43, 95, 163}
)

// paper is a document under way.
type paper struct {
	*fpdf.Fpdf
	report *report.Report
	zone   *time.Location
}

// Report writes a report as PDF.
func Report(w io.Writer, r *report.Report, zone *time.Location) error {
	p := &paper{fpdf.New("P", "mm", "A4", ""), r, zone}
	p.AddUTF8FontFromBytes("go", "", goregular.TTF)
	p.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	p.SetMargins(margin, margin, margin)
	p.SetAutoPageBreak(false, margin)
	p.SetTitle(r.Title()+", "+r.When(), true)
	p.SetCreator("Lamplighter", true)
	p.SetCatalogSort(true) // the same report, the same file
	p.SetCreationDate(r.MadeAt)
	p.SetModificationDate(r.MadeAt)
	p.SetFooterFunc(p.footer)
	p.AliasNbPages("{pages}")
	p.AddPage()
	for _, piece := range []func(){
		p.title, p.summary, p.heat, p.beacons, p.clocks, p.fairness, p.reasons, p.heard, p.outages, p.alerts, p.silence, p.changes,
	} {
		piece()
	}
	return p.Output(w)
}

func (p *paper) fill(c colour)  { p.SetFillColor(c.r, c.g, c.b) }
func (p *paper) write(c colour) { p.SetTextColor(c.r, c.g, c.b) }
func (p *paper) draw(c colour)  { p.SetDrawColor(c.r, c.g, c.b) }

func (p *paper) footer() {
	p.SetXY(margin, bottom+3)
	p.SetFont("go", "", 7.5)
	p.write(soft)
	p.CellFormat(width-20, 4, "Made "+p.utc(p.report.MadeAt)+". Data complete to "+p.utc(p.report.CompleteTo)+". Revision "+report.Number(p.report.Revision)+".", "", 0, "L", false, 0, "")
	p.CellFormat(20, 4, report.Number(p.PageNo())+" of {pages}", "", 0, "R", false, 0, "")
}

func (p *paper) utc(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }

// room begins a new page where there is less than so many millimetres left.
func (p *paper) room(height float64) bool {
	if p.GetY()+height <= bottom {
		return false
	}
	p.AddPage()
	return true
}

func (p *paper) title() {
	r := p.report
	p.SetFont("go", "B", 20)
	p.write(ink)
	p.CellFormat(width, 9, r.Title(), "", 1, "L", false, 0, "")
	p.SetFont("go", "B", 13)
	p.write(lamp)
	p.CellFormat(width, 7, r.When(), "", 1, "L", false, 0, "")
	p.SetFont("go", "", 9)
	p.write(soft)
	p.CellFormat(width, 5, p.utc(r.From)+" – "+p.utc(r.To)+"; days and hours of the day in "+r.Zone, "", 1, "L", false, 0, "")
	p.fill(lamp)
	p.Rect(margin, p.GetY()+1.5, width, 0.8, "F")
	p.SetY(p.GetY() + 5)
}

// heading begins a piece that needs so many millimetres at least.
func (p *paper) heading(text string, height float64) {
	p.SetY(p.GetY() + 4)
	p.room(height + 10)
	p.SetFont("go", "B", 12)
	p.write(ink)
	p.CellFormat(width, 6, text, "", 1, "L", false, 0, "")
	p.draw(line)
	p.Line(margin, p.GetY(), margin+width, p.GetY())
	p.SetY(p.GetY() + 2)
}

func (p *paper) note(text string) {
	p.SetFont("go", "", 8)
	p.write(soft)
	p.MultiCell(width, 4, text, "", "L", false)
	p.SetY(p.GetY() + 1)
}

func (p *paper) summary() {
	r := p.report
	p.SetFont("go", "", 9.5)
	p.write(ink)
	if !r.Over {
		p.MultiCell(width, 5, "This period is not over: counted until "+p.utc(r.MadeAt)+".", "", "L", false)
	}
	text := ""
	for _, sentence := range r.Summary() {
		text += sentence + " "
	}
	p.MultiCell(width, 5, text, "", "L", false)
	p.SetY(p.GetY() + 2)
	rows := r.Comparison()
	half := (len(rows) + 1) / 2
	top := p.GetY()
	for i, row := range rows {
		x, y := margin, top+float64(i)*5
		if i >= half {
			x, y = margin+width/2+2, top+float64(i-half)*5
		}
		p.SetXY(x, y)
		p.fill(card)
		p.Rect(x, y, width/2-2, 4.6, "F")
		p.SetFont("go", "", 8.5)
		p.write(soft)
		p.CellFormat(38, 4.6, " "+row[0], "", 0, "L", false, 0, "")
		p.SetFont("go", "B", 8.5)
		p.write(ink)
		p.CellFormat(21, 4.6, row[1], "", 0, "R", false, 0, "")
		p.SetFont("go", "", 7.5)
		p.write(blue)
		p.CellFormat(29, 4.6, "before "+row[2]+" ", "", 0, "R", false, 0, "")
	}
	p.SetXY(margin, top+float64(half)*5)
}
