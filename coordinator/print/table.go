package print

import "lamplighter/coordinator/report"

// column is one of a table; draw, if given, draws the cell instead of its text.
type column struct {
	title string
	width float64
	align string
	draw  func(row int, x, y, width float64)
}

const rowHeight = 4.6

// table writes rows, and the titles again on each page.
func (p *paper) table(columns []column, rows [][]string) {
	p.titles(columns)
	for i, row := range rows {
		if p.room(rowHeight) {
			p.titles(columns)
		}
		x, y := margin, p.GetY()
		for j, c := range columns {
			if c.draw != nil {
				c.draw(i, x, y, c.width)
			} else {
				style := ""
				if j == 0 {
					style = "B"
				}
				p.SetFont("go", style, 8)
				p.write(ink)
				p.SetXY(x, y)
				p.CellFormat(c.width, rowHeight, p.fit(row[j], c.width-1), "", 0, c.align, false, 0, "")
			}
			x += c.width
		}
		p.draw(line)
		p.SetLineWidth(0.1)
		p.Line(margin, y+rowHeight, margin+width, y+rowHeight)
		p.SetXY(margin, y+rowHeight)
	}
}

func (p *paper) titles(columns []column) {
	p.SetFont("go", "B", 7.5)
	p.write(soft)
	for _, c := range columns {
		p.CellFormat(c.width, rowHeight, c.title, "", 0, c.align, false, 0, "")
	}
	p.SetXY(margin, p.GetY()+rowHeight)
}

// fit shortens a text to a width in the present typeface.
func (p *paper) fit(text string, most float64) string {
	if p.GetStringWidth(text) <= most {
		return text
	}
	runes := []rune(text)
	for len(runes) > 0 && p.GetStringWidth(string(runes)+"…") > most {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

func (p *paper) beacons() {
	r := p.report
	p.heading("Beacons", 20)
	p.note("The strip is the period, hour by hour: green heard of, yellow in part, red not at all.")
	strip := func(i int, x, y, w float64) {
		of := r.Beacons[i].Strip
		step := (w - 3) / float64(max(1, len(of)))
		for from := 0; from < len(of); {
			to := from
			for to < len(of) && level(of[to]) == level(of[from]) {
				to++
			}
			p.fill(level(of[from]))
			p.Rect(x+float64(from)*step, y+1, float64(to-from)*step, rowHeight-2, "F")
			from = to
		}
	}
	columns := []column{
		{"Beacon", 30, "L", nil},
		{"Call sign", 17, "L", nil},
		{"Heard of", 50, "L", strip},
		{"Uptime", 16, "R", nil},
		{"Ready", 16, "R", nil},
		{"Sent", 13, "R", nil},
		{"Airtime", 20, "R", nil},
		{"Clock, 95 %", 18, "R", nil},
	}
	var rows [][]string
	for _, b := range r.Beacons {
		clock := "–"
		if b.Clock != nil {
			clock = report.Seconds(b.Clock.P95)
		}
		rows = append(rows, []string{b.Beacon, b.Callsign, "", report.Percent(b.Uptime), report.Percent(b.Readiness), report.Number(b.Sent), report.HoursMinutes(b.Airtime), clock})
	}
	p.table(columns, rows)
}

func level(minutes uint8) colour {
	switch {
	case minutes >= 59:
		return good
	case minutes == 0:
		return bad
	}
	return part
}

func (p *paper) fairness() {
	r := p.report
	most := int64(1)
	for _, b := range r.Beacons {
		most = max(most, b.Wanted, b.Ordered)
	}
	p.heading("Did everyone get a fair turn?", 20)
	p.note("Grey: wanted, by the share in the fleet file of the slots open to the beacon. Blue: ordered. Orange: sent.")
	bars := func(i int, x, y, w float64) {
		b := r.Beacons[i]
		for j, n := range []int64{b.Wanted, b.Ordered, b.Sent} {
			inset := float64(j) * 0.55
			p.fill([]colour{line, {160, 181, 208}, lamp}[j])
			p.Rect(x, y+0.7+inset, (w-3)*float64(n)/float64(most), rowHeight-1.4-2*inset, "F")
		}
	}
	var rows [][]string
	for _, b := range r.Beacons {
		rows = append(rows, []string{b.Beacon, "", report.Number(b.Wanted), report.Number(b.Ordered), report.Number(b.Sent)})
	}
	p.table([]column{{"Beacon", 34, "L", nil}, {"", 98, "L", bars}, {"Wanted", 16, "R", nil}, {"Ordered", 16, "R", nil}, {"Sent", 16, "R", nil}}, rows)
}

// mostRows bounds the lists of what happened.
const mostRows = 40

func (p *paper) reasons() {
	if len(p.report.Reasons) == 0 {
		return
	}
	p.heading("What was not sent, and why", 20)
	var rows [][]string
	for _, c := range p.report.Reasons[:min(mostRows, len(p.report.Reasons))] {
		rows = append(rows, []string{c.Band, c.Ending, report.ReasonWords(c.Reason), report.Number(c.Slots)})
	}
	p.table([]column{{"Band", 25, "L", nil}, {"Ended as", 35, "L", nil}, {"Reason", 100, "L", nil}, {"Slots", 20, "R", nil}}, rows)
}

func (p *paper) heard() {
	if len(p.report.Heard) == 0 {
		return
	}
	p.heading("Who heard us", 20)
	var rows [][]string
	for _, h := range p.report.Heard[:min(mostRows, len(p.report.Heard))] {
		rows = append(rows, []string{h.Beacon, h.Band, report.Number(h.Receivers), report.Number(h.Reports), report.Percent(h.Share), report.Number(int64(h.FarthestKm+0.5)) + " km", h.Farthest})
	}
	p.table([]column{
		{"Beacon", 34, "L", nil},
		{"Band", 14, "L", nil},
		{"Receivers", 20, "R", nil},
		{"Reports", 20, "R", nil},
		{"Heard share", 22, "R", nil},
		{"Farthest", 24, "R", nil},
		{"  By", 46, "L", nil},
	}, rows)
}

func (p *paper) outages() {
	if len(p.report.Outages) == 0 {
		return
	}
	p.heading("What broke", 20)
	var rows [][]string
	for _, o := range p.report.Outages[:min(mostRows, len(p.report.Outages))] {
		rows = append(rows, []string{o.Beacon, o.What(), p.utc(o.From), p.utc(o.To), report.HoursMinutes(float64(o.Minutes) * 60)})
	}
	p.table([]column{{"Beacon", 34, "L", nil}, {"What", 56, "L", nil}, {"From", 35, "L", nil}, {"To", 35, "L", nil}, {"How long", 20, "R", nil}}, rows)
	if more := len(p.report.Outages) - mostRows; more > 0 {
		p.note("And " + report.Number(more) + " more; CSV and JSON list them.")
	}
}

func (p *paper) alerts() {
	if len(p.report.Alerts) == 0 {
		return
	}
	p.heading("Alerts", 20)
	var rows [][]string
	for _, a := range p.report.Alerts[:min(mostRows, len(p.report.Alerts))] {
		acknowledged := "–"
		if a.Acknowledged != nil {
			acknowledged = p.utc(*a.Acknowledged) + " " + a.By
		}
		rows = append(rows, []string{a.What, a.Beacon, p.utc(a.RaisedAt), acknowledged})
	}
	p.table([]column{{"What", 60, "L", nil}, {"Beacon", 34, "L", nil}, {"Raised", 36, "L", nil}, {"Acknowledged", 50, "L", nil}}, rows)
}

func (p *paper) silence() {
	if len(p.report.Hushes) == 0 {
		return
	}
	p.heading("Silence by order", 20)
	var rows [][]string
	for _, h := range p.report.Hushes[:min(mostRows, len(p.report.Hushes))] {
		to := "still in force"
		if h.To != nil {
			to = p.utc(*h.To)
		}
		rows = append(rows, []string{h.Scope, p.utc(h.From), to, h.Reason, h.By})
	}
	p.table([]column{{"What", 36, "L", nil}, {"From", 34, "L", nil}, {"To", 34, "L", nil}, {"Why", 42, "L", nil}, {"By", 34, "L", nil}}, rows)
}

func (p *paper) changes() {
	if len(p.report.Changes) == 0 {
		return
	}
	p.heading("Changes to the fleet", 15)
	for _, c := range p.report.Changes {
		text := p.utc(c.At) + ", " + c.By + ": "
		for i, change := range c.Changes[:min(mostRows, len(c.Changes))] {
			if i > 0 {
				text += "; "
			}
			text += change
		}
		p.room(10)
		p.SetFont("go", "", 8.5)
		p.write(ink)
		p.MultiCell(width, 4.4, text, "", "L", false)
	}
}
