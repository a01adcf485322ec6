package rewrite

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// To makes a text say what is wanted. What it says already stays as it was
// written.
func To(text string, want Value) (string, error) {
	root, err := parse(text)
	if err != nil {
		return "", err
	}
	e := newEditor(text, root)
	if err := e.edit(root, want); err != nil {
		return "", err
	}
	edited := e.edited()
	if said, err := Read(edited); err != nil || !Equal(said, want) {
		return "", ErrByHand
	}
	return edited, nil
}

// editor collects edits of a text.
type editor struct {
	text          string
	lines         []int // where each begins
	anchors       anchors
	edits         []edit
	values, depth int
}

// edit puts words in the place of a part of the text.
type edit struct {
	from, to int
	words    string
}

func newEditor(text string, root ast.Node) *editor {
	e := &editor{text: text, anchors: anchors{}, lines: []int{0}}
	for i, c := range []byte(text) {
		if c == '\n' {
			e.lines = append(e.lines, i+1)
		}
	}
	ast.Walk(e.anchors, root)
	return e
}

func (e *editor) put(from, to int, words string) { e.edits = append(e.edits, edit{from, to, words}) }

// edited is the text with all edits done.
func (e *editor) edited() string {
	// What goes in at a place stands before what goes out from there, and else in
	// the order in which it was asked for.
	slices.SortStableFunc(e.edits, func(a, b edit) int {
		if a.from != b.from {
			return a.from - b.from
		}
		return a.to - b.to
	})
	var out strings.Builder
	done := 0
	for _, x := range e.edits {
		if x.from > done {
			out.WriteString(e.text[done:x.from])
		}
		out.WriteString(x.words)
		done = max(done, x.to)
	}
	out.WriteString(e.text[done:])
	return out.String()
}

// edit makes a node say what is wanted.
func (e *editor) edit(n ast.Node, want Value) error {
	said, err := e.value(n)
	if err != nil || Equal(said, want) {
		return err
	}
	switch n := n.(type) {
	case *ast.AnchorNode:
		return e.edit(n.Value, want)
	case *ast.MappingNode, *ast.MappingValueNode:
		if m, ok := want.(Map); ok && len(m) > 0 {
			return e.editMap(n, m)
		}
	case *ast.SequenceNode:
		if list, ok := want.(List); ok && len(list) > 0 && len(n.Values) > 0 {
			return e.editList(n, said.(List), list) //nolint:forcetypeassert // a sequence says a list
		}
	}
	from, to, err := e.span(n)
	if err == nil {
		e.put(from, to, flow(want))
	}
	return err
}

// editMap changes the keys that differ, takes out those that are not wanted, and
// puts new ones behind those that they follow.
func (e *editor) editMap(n ast.Node, want Map) error {
	pairs := pairsOf(n)
	held := map[string]*ast.MappingValueNode{}
	var first *ast.MappingValueNode // that stays
	for _, p := range pairs {
		if want.Get(p.Key.GetToken().Value) == nil {
			continue
		}
		held[p.Key.GetToken().Value] = p
		if first == nil {
			first = p
		}
	}
	if first == nil {
		from, to, err := e.span(n)
		if err == nil {
			e.put(from, to, flow(want))
		}
		return err
	}
	mapping, _ := n.(*ast.MappingNode)
	inLines := mapping == nil || !mapping.IsFlowStyle
	var before *ast.MappingValueNode
	for _, p := range want {
		if own := held[p.Key]; own != nil {
			if err := e.editPair(own, p.Value, inLines); err != nil {
				return err
			}
			before = own
		} else if err := e.putPair(p, before, first, inLines); err != nil {
			return err
		}
	}
	return e.takePairs(pairs, held, inLines)
}

// editPair changes what stands behind a key. A list that ends or begins to have
// entries in lines changes how it is written.
func (e *editor) editPair(p *ast.MappingValueNode, want Value, inLines bool) error {
	list, isList := want.(List)
	if sequence, ok := p.Value.(*ast.SequenceNode); ok && isList && inLines {
		colon, err := e.at(p.Start)
		if err != nil {
			return err
		}
		switch {
		case len(list) == 0 && len(sequence.Values) > 0 && !sequence.IsFlowStyle:
			e.put(colon+1, colon+1, " []")
			return e.takeEntries(sequence, 0, len(sequence.Values))
		case len(sequence.Values) == 0 && ofMaps(list):
			_, end, err := e.span(sequence)
			e.put(colon+1, end, behindColon(list, e.indent(p)))
			return err
		}
	}
	return e.edit(p.Value, want)
}

// putPair puts a new key behind another one, or before the first.
func (e *editor) putPair(p Pair, before, first *ast.MappingValueNode, inLines bool) error {
	words := scalar(p.Key) + ":"
	switch {
	case before == nil:
		at, _, err := e.span(first.Key.(ast.Node))
		if inLines {
			e.put(at, at, words+behindColon(p.Value, e.indent(first))+"\n"+e.indent(first))
		} else {
			e.put(at, at, words+" "+flow(p.Value)+", ")
		}
		return err
	case inLines:
		_, end, err := e.span(before.Value)
		if err == nil {
			e.putLine(end, e.indent(before)+words+behindColon(p.Value, e.indent(before)))
		}
		return err
	}
	_, end, err := e.span(before.Value)
	e.put(end, end, ", "+words+" "+flow(p.Value))
	return err
}

// putLine puts a line behind the one that a place lies on.
func (e *editor) putLine(at int, line string) {
	if next, ok := e.nextLine(at); ok {
		e.put(next, next, line+"\n")
	} else {
		e.put(len(e.text), len(e.text), "\n"+line)
	}
}

// takePairs takes out the keys that are not held.
func (e *editor) takePairs(pairs []*ast.MappingValueNode, held map[string]*ast.MappingValueNode, inLines bool) error {
	leading := true // none is held so far
	for i, p := range pairs {
		if held[p.Key.GetToken().Value] != nil {
			leading = false
			continue
		}
		from, _, err := e.span(p.Key.(ast.Node))
		if err != nil {
			return err
		}
		_, to, err := e.span(p.Value)
		switch {
		case err != nil:
			return err
		case inLines && e.opensLine(from):
			next, ok := e.nextLine(to)
			if !ok {
				next = len(e.text)
			}
			e.put(e.lineOf(from), next, "")
		case leading:
			next, _, err := e.span(pairs[i+1].Key.(ast.Node)) // one of them is held
			if err != nil {
				return err
			}
			e.put(from, next, "")
		default:
			_, end, err := e.span(pairs[i-1].Value)
			if err != nil {
				return err
			}
			e.put(end, to, "")
		}
	}
	return nil
}

// editList changes the entries between those that are alike at both ends.
func (e *editor) editList(n *ast.SequenceNode, said, want List) error {
	head := 0
	for head < min(len(said), len(want)) && Equal(said[head], want[head]) {
		head++
	}
	tail := 0
	for tail < min(len(said), len(want))-head && Equal(said[len(said)-1-tail], want[len(want)-1-tail]) {
		tail++
	}
	both := min(len(said), len(want)) - head - tail
	for i := range both {
		if err := e.editEntry(n.Values[head+i], said[head+i], want[head+i]); err != nil {
			return err
		}
	}
	if more := want[head+both : len(want)-tail]; len(more) > 0 {
		return e.putEntries(n, head+both, more)
	}
	return e.takeEntries(n, head+both, len(said)-tail)
}

func (e *editor) editEntry(n ast.Node, said, want Value) error {
	if _, isText := want.(Text); !isText || Equal(said, want) {
		return e.edit(n, want)
	}
	from, to, err := e.span(n)
	if err == nil {
		e.put(from, to, listed(want))
	}
	return err
}

// putEntries puts entries before the one at an index; there is at least one.
func (e *editor) putEntries(n *ast.SequenceNode, at int, more List) error {
	beside := n.Values[max(0, at-1)]
	from, to, err := e.span(beside)
	if err != nil {
		return err
	}
	if n.IsFlowStyle {
		words := strings.TrimSuffix(strings.TrimPrefix(flow(more), "["), "]")
		if at == 0 {
			e.put(from, from, words+", ")
		} else {
			e.put(to, to, ", "+words)
		}
		return nil
	}
	dash, err := e.dash(from)
	if err != nil {
		return err
	}
	indent := e.text[e.lineOf(dash):dash]
	like, isMap := beside.(*ast.MappingNode)
	for _, x := range more {
		line := indent + "- " + entry(x, indent+"  ", isMap && like.IsFlowStyle)
		if at == 0 {
			e.put(e.lineOf(dash), e.lineOf(dash), line+"\n")
		} else {
			e.putLine(to, line)
		}
	}
	return nil
}

// takeEntries takes out the entries from one index up to another.
func (e *editor) takeEntries(n *ast.SequenceNode, from, to int) error {
	for i := from; i < to; i++ {
		begin, end, err := e.span(n.Values[i])
		if err != nil {
			return err
		}
		if !n.IsFlowStyle {
			if err := e.takeLines(begin, end, i > 0); err != nil {
				return err
			}
			continue
		}
		if from > 0 {
			_, begin, err = e.span(n.Values[i-1])
		} else {
			end, _, err = e.span(n.Values[i+1]) // one stays
		}
		if err != nil {
			return err
		}
		e.put(begin, end, "")
	}
	return nil
}

// takeLines takes out the lines of an entry, with those of comment right above.
func (e *editor) takeLines(begin, end int, comments bool) error {
	dash, err := e.dash(begin)
	if err != nil {
		return err
	}
	indent := e.text[e.lineOf(dash):dash]
	first := e.lineOf(dash)
	for comments && first > 0 && strings.HasPrefix(e.text[e.lineOf(first-1):first], indent+"#") {
		first = e.lineOf(first - 1)
	}
	next, ok := e.nextLine(end)
	if !ok {
		next = len(e.text)
	}
	e.put(first, next, "")
	return nil
}

// dash is where the dash of an entry stands that begins at a place: the first
// thing on its line.
func (e *editor) dash(begin int) (int, error) {
	at := strings.LastIndexByte(e.text[:begin], '-')
	if at < 0 || strings.TrimSpace(e.text[at+1:begin]) != "" || !e.opensLine(at) {
		return 0, ErrByHand
	}
	return at, nil
}

// indent is what stands before a key on its line, as blanks.
func (e *editor) indent(p *ast.MappingValueNode) string {
	return strings.Repeat(" ", max(0, p.Key.GetToken().Position.Column-1))
}

// at is where a token begins in the text.
func (e *editor) at(t *token.Token) (int, error) {
	if t == nil || t.Position.Line < 1 || t.Position.Line > len(e.lines) {
		return 0, ErrByHand
	}
	at := e.lines[t.Position.Line-1]
	for range t.Position.Column - 1 { // columns count characters
		if at >= len(e.text) {
			return 0, ErrByHand
		}
		at++
		for at < len(e.text) && e.text[at]&0xc0 == 0x80 {
			at++
		}
	}
	return at, nil
}

func (e *editor) lineOf(at int) int {
	return strings.LastIndexByte(e.text[:at], '\n') + 1
}

// nextLine is where the line after a place begins.
func (e *editor) nextLine(at int) (int, bool) {
	end := strings.IndexByte(e.text[at:], '\n')
	return at + end + 1, end >= 0
}

// opensLine says that nothing but blanks stands before a place on its line.
func (e *editor) opensLine(at int) bool {
	return strings.Trim(e.text[e.lineOf(at):at], " ") == ""
}
