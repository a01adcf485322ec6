package fleet

import "strconv"

// Public is what a network tells everybody, on a page without log-in; it tells
// nothing unless it says so.
type Public struct {
	Page    bool // there is a page of what is on the air
	Locator int  // characters of each site's locator that stand there; 0: none
}

// public reads what everybody may see.
func (r *reader) public(v value) (p Public) {
	o, ok := r.object(v, "public", "page", "locator")
	if !ok {
		return p
	}
	p.Locator = 4
	o.required("page", func(v value) { p.Page, _ = r.boolean(v) })
	o.optional("locator", func(v value) {
		switch n, ok := r.integer(v, 0, 6); {
		case !ok:
		case n != 0 && n != 4 && n != 6:
			r.wrong(v, "must be 0, 4 or 6: so many characters of each site's locator stand on the page")
		default:
			p.Locator = int(n)
		}
	})
	return p
}

func (p Public) facts() []fact {
	return []fact{{"locator", strconv.Itoa(p.Locator)}, {"page", strconv.FormatBool(p.Page)}}
}
