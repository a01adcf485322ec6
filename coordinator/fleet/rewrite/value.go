package rewrite

import (
	"errors"
	"slices"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
)

// ErrByHand says that a text is written in a way that can't be edited here.
var ErrByHand = errors.New("the fleet file is written in a way that can't be edited here: change it as text")

// Value is what a place in the text says: Text, Number, Bool, List or Map; nil is
// nothing.
type Value any

// Text is words.
type Text string

// Number is a number as it is written.
type Number string

// Bool is true or false.
type Bool bool

// List is entries in order.
type List []Value

// Map is keys and what stands behind them, in the order of the text.
type Map []Pair

// Pair is a key and what stands behind it.
type Pair struct {
	Key   string
	Value Value
}

// Get is what stands behind a key; nil where there is none.
func (m Map) Get(key string) Value {
	for _, p := range m {
		if p.Key == key {
			return p.Value
		}
	}
	return nil
}

// With is the map with a key set; nil takes it out. A new key stands behind
// the one that comes before it in order.
func (m Map) With(key string, v Value, order []string) Map {
	if at := slices.IndexFunc(m, func(p Pair) bool { return p.Key == key }); at >= 0 {
		m = slices.Clone(m)
		if v == nil {
			return slices.Delete(m, at, at+1)
		}
		m[at].Value = v
		return m
	}
	if v == nil {
		return m
	}
	mine, behind := slices.Index(order, key), len(m)
	if mine >= 0 {
		behind = 0
		nearest := -1
		for i, p := range m {
			if at := slices.Index(order, p.Key); at > nearest && at < mine {
				behind, nearest = i+1, at
			}
		}
	}
	return slices.Insert(slices.Clone(m), behind, Pair{key, v})
}

// Equal says whether two values say the same; the order of keys says nothing.
func Equal(a, b Value) bool {
	switch a := a.(type) {
	case Map:
		b, ok := b.(Map)
		if !ok || len(a) != len(b) {
			return false
		}
		for _, p := range a {
			if other := b.Get(p.Key); other == nil || !Equal(p.Value, other) {
				return false
			}
		}
		return true
	case List:
		b, ok := b.(List)
		return ok && slices.EqualFunc(a, b, Equal)
	}
	switch b.(type) {
	case Map, List:
		return false
	}
	return a == b
}

// Read gives what a text says.
func Read(text string) (Value, error) {
	root, err := parse(text)
	if err != nil {
		return nil, err
	}
	return newEditor(text, root).value(root)
}

func parse(text string) (ast.Node, error) {
	file, err := parser.Parse(lexer.Tokenize(text), 0, parser.AllowDuplicateMapKey())
	if err != nil || len(file.Docs) != 1 || file.Docs[0].Body == nil {
		return nil, ErrByHand
	}
	return file.Docs[0].Body, nil
}

// The bounds of what aliases may stand for.
const (
	mostValues = 1 << 22
	deepest    = 64
)

// value is what a node says, aliases followed.
func (e *editor) value(n ast.Node) (Value, error) {
	e.values++
	e.depth++
	defer func() { e.depth-- }()
	if e.values > mostValues || e.depth > deepest {
		return nil, ErrByHand
	}
	switch n := n.(type) {
	case *ast.StringNode:
		return Text(n.Value), nil
	case *ast.LiteralNode:
		return Text(n.Value.Value), nil
	case *ast.IntegerNode, *ast.FloatNode:
		return Number(n.GetToken().Value), nil
	case *ast.BoolNode:
		return Bool(n.Value), nil
	case *ast.NullNode:
		return nil, nil //nolint:nilnil // it says nothing
	case *ast.AnchorNode:
		return e.value(n.Value)
	case *ast.AliasNode:
		if target := e.anchors[n.Value.GetToken().Value]; target != nil {
			return e.value(target)
		}
	case *ast.SequenceNode:
		list := make(List, 0, len(n.Values))
		for _, entry := range n.Values {
			v, err := e.value(entry)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, nil
	case *ast.MappingNode, *ast.MappingValueNode:
		m := Map{}
		for _, p := range pairsOf(n) {
			v, err := e.value(p.Value)
			if err != nil {
				return nil, err
			}
			m = append(m, Pair{p.Key.GetToken().Value, v})
		}
		return m, nil
	}
	return nil, ErrByHand
}

func pairsOf(n ast.Node) []*ast.MappingValueNode {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

// anchors collects what an alias may stand for.
type anchors map[string]ast.Node

// Visit implements ast.Visitor.
func (a anchors) Visit(n ast.Node) ast.Visitor {
	if anchor, ok := n.(*ast.AnchorNode); ok && anchor.Name != nil {
		a[anchor.Name.GetToken().Value] = anchor.Value
	}
	return a
}
