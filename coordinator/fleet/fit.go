package fleet

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Fit rewrites a fleet file's text so that it says which plug-in filter is in
// place at a beacon. Everything else stays as it was written, comments
// included; a text in which that can't be done is an error, and so is a filter
// that the beacon does not have.
func Fit(text, beacon, filter string) (string, error) {
	old, err := Read("", []byte(text))
	if err != nil {
		return "", err
	}
	at := old.Beacon(beacon)
	if at == nil {
		return "", fmt.Errorf("there is no beacon %q", beacon)
	}
	if err := at.mayFit(filter); err != nil || at.Plugged == filter {
		return text, err
	}
	edited, err := setPlugged(text, beacon, filter)
	if err != nil {
		return "", err
	}
	next, err := Read("", []byte(edited))
	if err != nil || !onlyFits(Changes(old, next), beacon, filter) {
		return "", errByHand
	}
	return edited, nil
}

// mayFit says why a filter can't be fitted.
func (b *Beacon) mayFit(filter string) error {
	var plugs []string
	for _, f := range b.Filters {
		if f.Plug {
			plugs = append(plugs, f.Name)
		}
	}
	switch {
	case len(plugs) == 0:
		return fmt.Errorf("beacon %s has no filter with fitted: plug", b.Name)
	case !slices.Contains(plugs, filter):
		return fmt.Errorf("%q is no plug-in filter of beacon %s; it has %s", filter, b.Name, strings.Join(plugs, ", "))
	}
	return nil
}

func onlyFits(changes []Change, beacon, filter string) bool {
	return len(changes) == 1 && changes[0].What == "beacon "+beacon && changes[0].Field == "plugged" && changes[0].New == filter
}

var errByHand = errors.New("the fleet file is written in a way that can't be edited here: set the beacon's plugged by hand, and apply the file")

// setPlugged edits the text where the beacon is described.
func setPlugged(text, beacon, filter string) (string, error) {
	file, err := parser.Parse(lexer.Tokenize(text), 0, parser.AllowDuplicateMapKey())
	if err != nil || len(file.Docs) != 1 {
		return "", errByHand
	}
	list, ok := child(file.Docs[0].Body, "beacons").(*ast.SequenceNode)
	if !ok {
		return "", errByHand
	}
	for _, entry := range list.Values {
		name, ok := child(entry, "name").(*ast.StringNode)
		if !ok || name.Value != beacon {
			continue
		}
		if plugged, ok := child(entry, "plugged").(*ast.StringNode); ok {
			return splice(text, plugged.GetToken(), true, filter)
		}
		column := column(entry, "name")
		if mapping, ok := entry.(*ast.MappingNode); ok && mapping.IsFlowStyle {
			return splice(text, name.GetToken(), false, ", plugged: "+filter)
		}
		return splice(text, name.GetToken(), false, "\n"+strings.Repeat(" ", column-1)+"plugged: "+filter)
	}
	return "", errByHand
}

// child is the value of a key; nil: there is none, or it is no map.
func child(node ast.Node, key string) ast.Node {
	for _, pair := range pairs(node) {
		if pair.Key.GetToken().Value == key {
			return pair.Value
		}
	}
	return nil
}

func column(node ast.Node, key string) int {
	for _, pair := range pairs(node) {
		if pair.Key.GetToken().Value == key {
			return pair.Key.GetToken().Position.Column
		}
	}
	return 1
}

func pairs(node ast.Node) []*ast.MappingValueNode {
	switch n := node.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

// splice puts words into the line of a token: in its place, or behind it. Only
// plain words on one line are touched.
func splice(text string, at *token.Token, replace bool, words string) (string, error) {
	lines := strings.SplitAfter(text, "\n")
	if at.Position.Line < 1 || at.Position.Line > len(lines) {
		return "", errByHand
	}
	line := []rune(lines[at.Position.Line-1])
	begin, end := at.Position.Column-1, at.Position.Column-1+len([]rune(at.Value))
	if begin < 0 || end > len(line) || string(line[begin:end]) != at.Value {
		return "", errByHand
	}
	kept := end
	if replace {
		kept = begin
	}
	lines[at.Position.Line-1] = string(line[:kept]) + words + string(line[end:])
	return strings.Join(lines, ""), nil
}
