package fleet

import (
	"errors"
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"lamplighter/proto/onair/band"
)

// Limits of a fleet file. They leave room for tens of thousands of beacons and
// keep a file from outside from tying up the program.
const (
	largestFile  = 32 << 20 // bytes
	deepest      = 16       // lists and maps within each other
	mostValues   = 4 << 20  // after aliases are followed
	mostSites    = 20_000
	mostBeacons  = 50_000
	mostPauses   = 5_000
	mostPairs    = 1_000 // of near and apart
	mostEntries  = 100   // of any other list
	mostFindings = 500
	mostGuesses  = 100 // findings after which no near name is looked for
)

// parse turns the text into a syntax tree. Nil without a finding is an empty
// file.
func (r *reader) parse(text []byte) ast.Node {
	switch {
	case len(text) > largestFile:
		r.whole("the file is larger than %d MiB, which no fleet needs", largestFile>>20)
		return nil
	case !utf8.Valid(text):
		r.whole("the file is not UTF-8 text")
		return nil
	}
	tokens := lexer.Tokenize(string(text))
	if at := tooDeep(tokens); at != nil {
		r.add(at.Position, "", "lists and maps are nested more than %d deep, which no fleet file needs", deepest)
		return nil
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(err)
		return nil
	}
	if len(file.Docs) > 1 {
		r.whole("the file holds %d YAML documents: keep one, without lines of ---", len(file.Docs))
		return nil
	}
	if len(file.Docs) == 0 {
		return nil
	}
	return file.Docs[0].Body
}

func (r *reader) syntax(err error) {
	var known yaml.Error
	if errors.As(err, &known) && known.GetToken() != nil {
		r.add(known.GetToken().Position, "", "not valid YAML: %s", known.GetMessage())
		return
	}
	r.whole("not valid YAML: %v", err)
}

// tooDeep returns the first token that is nested too deep, or nil, so that the
// parser, which recurses, is never given such a text. Brackets nest, and so do
// dashes and keys that open further levels on one line; levels by indentation
// alone are counted later, since each needs a longer line.
func tooDeep(tokens token.Tokens) *token.Token {
	brackets, line, onLine := 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, onLine = t.Position.Line, 0
		}
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			brackets++
		case token.SequenceEndType, token.MappingEndType:
			brackets = max(0, brackets-1)
		case token.SequenceEntryType, token.MappingKeyType, token.AnchorType, token.TagType:
			if brackets == 0 {
				onLine++
			}
		}
		if brackets > deepest || onLine > deepest || t.Position.Column > 2000 && brackets == 0 && t.Type == token.SequenceEntryType {
			return t
		}
	}
	return nil
}

// anchors collects what an alias may stand for.
type anchors map[string]ast.Node

// Visit implements ast.Visitor.
func (a anchors) Visit(node ast.Node) ast.Visitor {
	if anchor, ok := node.(*ast.AnchorNode); ok && anchor.Name != nil {
		a[anchor.Name.GetToken().Value] = anchor.Value
	}
	return a
}

// reader collects what is wrong while a file is read.
type reader struct {
	file     string
	findings Findings
	warnings Findings
	anchors  anchors
	values   int // taken so far

	bands  *band.Table
	named  names
	bandAt map[[2]int]value // where band j of beacon i stands
	zones  map[string]*time.Location

	zoneless     map[*Site]value // sites without time_zone
	siteLimits   map[*Site]value // those with limits of their own
	beaconLimits map[*Beacon]value
	neverHappens int // rules found to have no date
}

// names finds what a file refers to by name.
type names struct {
	sites   map[string]*Site
	beacons map[string]*Beacon
}

func (r *reader) whole(format string, args ...any) { r.add(nil, "", format, args...) }

func (r *reader) add(at *token.Position, path, format string, args ...any) {
	r.findings = r.append(r.findings, at, path, format, args...)
}

func (r *reader) warn(v value, format string, args ...any) {
	r.warnings = r.append(r.warnings, v.at, v.path, format, args...)
}

func (r *reader) append(list Findings, at *token.Position, path, format string, args ...any) Findings {
	if len(list) > mostFindings {
		return list
	}
	f := Finding{File: r.file, Path: path, Sentence: fmt.Sprintf(format, args...)}
	if at != nil {
		f.Line, f.Column = at.Line, at.Column
	}
	if len(list) == mostFindings {
		f.Sentence = fmt.Sprintf("there is more; only the first %d are listed", mostFindings)
	}
	return append(list, f)
}
