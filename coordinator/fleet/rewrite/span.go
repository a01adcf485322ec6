package rewrite

import (
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// span is the part of the text in which a node stands, as far as the text bears
// that out.
func (e *editor) span(n ast.Node) (from, to int, err error) {
	switch n := n.(type) {
	case *ast.MappingNode:
		if n.IsFlowStyle {
			return e.between(n.Start, n.End, "{", "}")
		}
		return e.lined(n.Values)
	case *ast.MappingValueNode:
		return e.lined([]*ast.MappingValueNode{n})
	case *ast.SequenceNode:
		if n.IsFlowStyle {
			return e.between(n.Start, n.End, "[", "]")
		}
		if from, err = e.mark(n.Start, "-"); err == nil && len(n.Values) > 0 {
			_, to, err = e.span(n.Values[len(n.Values)-1])
			return from, to, err
		}
		return 0, 0, ErrByHand
	case *ast.AnchorNode:
		if from, err = e.mark(n.Start, "&"); err == nil {
			_, to, err = e.span(n.Value)
		}
		return from, to, err
	case *ast.AliasNode:
		name := "*" + n.Value.GetToken().Value
		from, err = e.mark(n.Start, name)
		return from, from + len(name), err
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return e.scalar(n.GetToken())
	}
	return 0, 0, ErrByHand
}

// lined is where keys stand in lines.
func (e *editor) lined(pairs []*ast.MappingValueNode) (from, to int, err error) {
	if len(pairs) == 0 {
		return 0, 0, ErrByHand
	}
	key, ok := pairs[0].Key.(ast.Node)
	if !ok {
		return 0, 0, ErrByHand
	}
	if from, _, err = e.span(key); err == nil {
		_, to, err = e.span(pairs[len(pairs)-1].Value)
	}
	return from, to, err
}

func (e *editor) between(start, end *token.Token, open, shut string) (from, to int, err error) {
	if from, err = e.mark(start, open); err == nil {
		to, err = e.mark(end, shut)
	}
	return from, to + 1, err
}

// mark is where a token stands, which begins with some words.
func (e *editor) mark(t *token.Token, words string) (int, error) {
	at, err := e.at(t)
	if err == nil && !strings.HasPrefix(e.text[at:], words) {
		err = ErrByHand
	}
	return at, err
}

// scalar is where a scalar on one line, or one in quotes, stands.
func (e *editor) scalar(t *token.Token) (from, to int, err error) {
	switch t.Type {
	case token.DoubleQuoteType, token.SingleQuoteType:
		quote := byte('"')
		if t.Type == token.SingleQuoteType {
			quote = '\''
		}
		from, err = e.mark(t, string(quote))
		if err != nil {
			return 0, 0, err
		}
		for to = from + 1; to < len(e.text); to++ {
			switch {
			case quote == '"' && e.text[to] == '\\':
				to++
			case e.text[to] != quote:
			case quote == '\'' && strings.HasPrefix(e.text[to+1:], "'"):
				to++
			default:
				return from, to + 1, nil
			}
		}
		return 0, 0, ErrByHand
	}
	from, err = e.mark(t, t.Value)
	return from, from + len(t.Value), err
}
