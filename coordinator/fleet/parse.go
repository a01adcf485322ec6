package fleet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	goccy "github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
	"go.yaml.in/yaml/v3"

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

// parse turns the text into a tree of nodes. Nil without a finding is an empty
// file.
func (r *reader) parse(text []byte) *yaml.Node {
	switch {
	case len(text) > largestFile:
		r.whole("the file is larger than %d MiB, which no fleet needs", largestFile>>20)
		return nil
	case !utf8.Valid(text):
		r.whole("the file is not UTF-8 text")
		return nil
	}
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	var root *yaml.Node
	documents := 0
	for ; ; documents++ {
		var document yaml.Node
		err := decoder.Decode(&document)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			r.syntax(text, err)
			return nil
		}
		if documents == 0 {
			root = document.Content[0]
		}
	}
	switch {
	case documents > 1:
		r.whole("the file holds %d YAML documents: keep one, without lines of ---", documents)
		return nil
	case documents == 0 || root.Tag == nullTag:
		return nil
	}
	if at := tooDeep(root, 0); at != nil {
		r.add(placeOf(at), "", tooDeepSentence, deepest)
		return nil
	}
	return root
}

const tooDeepSentence = "lists and maps are nested more than %d deep, which no fleet file needs"

// The tags of plain values.
const (
	nullTag    = "!!null"
	textTag    = "!!str"
	timeTag    = "!!timestamp" // a date, which is text here
	integerTag = "!!int"
	numberTag  = "!!float"
	boolTag    = "!!bool"
	mergeTag   = "!!merge"
)

// tooDeep returns the first node that is nested too deep, or nil. Aliases are
// followed later, with a limit of their own.
func tooDeep(node *yaml.Node, depth int) *yaml.Node {
	if len(node.Content) > 0 && depth == deepest {
		return node
	}
	for _, child := range node.Content {
		if at := tooDeep(child, depth+1); at != nil {
			return at
		}
	}
	return nil
}

// syntax says what is not YAML. The quick parser names lines at best, and not
// always the right ones; so another is asked, which takes four times as long and
// knows the column.
func (r *reader) syntax(text []byte, err error) {
	sentence := strings.TrimPrefix(err.Error(), "yaml: ")
	if strings.Contains(sentence, "exceeded max depth") {
		r.whole(tooDeepSentence, deepest)
		return
	}
	tokens := lexer.Tokenize(string(text))
	if name, ok := unknownAnchor(sentence); ok {
		r.add(aliasOf(tokens, name), "", "there is no anchor &%s for this alias", name)
		return
	}
	_, err = parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	var known goccy.Error
	if errors.As(err, &known) && known.GetToken() != nil {
		at := known.GetToken().Position
		r.add(place{at.Line, at.Column}, "", "not valid YAML: %s", known.GetMessage())
		return
	}
	r.whole("not valid YAML: %s", sentence)
}

// unknownAnchor tells whether what is wrong is an alias for nothing.
func unknownAnchor(sentence string) (name string, ok bool) {
	_, rest, ok := strings.Cut(sentence, "unknown anchor '")
	name, _, closed := strings.Cut(rest, "' referenced")
	return name, ok && closed
}

// aliasOf finds the first alias of a name.
func aliasOf(tokens token.Tokens, name string) place {
	for i, t := range tokens {
		if t.Type == token.AliasType && i+1 < len(tokens) && tokens[i+1].Value == name {
			return place{t.Position.Line, t.Position.Column}
		}
	}
	return place{}
}

// place is where something stands in the file; zero: nowhere in particular.
type place struct{ line, column int }

func placeOf(node *yaml.Node) place { return place{node.Line, node.Column} }

// reader collects what is wrong while a file is read.
type reader struct {
	file     string
	findings Findings
	warnings Findings
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

func (r *reader) whole(format string, args ...any) { r.add(place{}, "", format, args...) }

func (r *reader) add(at place, path, format string, args ...any) {
	r.findings = r.append(r.findings, at, path, format, args...)
}

func (r *reader) warn(v value, format string, args ...any) {
	r.warnings = r.append(r.warnings, v.at, v.path(), format, args...)
}

func (r *reader) append(list Findings, at place, path, format string, args ...any) Findings {
	if len(list) > mostFindings {
		return list
	}
	f := Finding{File: r.file, Path: path, Line: at.line, Column: at.column, Sentence: fmt.Sprintf(format, args...)}
	if len(list) == mostFindings {
		f.Sentence = fmt.Sprintf("there is more; only the first %d are listed", mostFindings)
	}
	return append(list, f)
}
