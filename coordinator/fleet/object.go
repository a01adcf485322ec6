package fleet

import (
	"slices"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"lamplighter/proto/spelling"
)

// object is a map of the file with known keys.
type object struct {
	r      *reader
	at     *token.Position
	path   string
	what   string // such as "a beacon", for sentences
	fields map[string]value
}

// object reads a map whose keys are all among known. What is wrong with its keys
// is found here; ok is false when there is no map at all.
func (r *reader) object(v value, what string, known ...string) (o *object, ok bool) {
	pairs, ok := r.pairs(v, what)
	if !ok {
		return nil, false
	}
	o = &object{r: r, at: v.at, path: v.path, what: what, fields: map[string]value{}}
	for i, p := range pairs {
		if i == 0 {
			o.at = p.key
		}
		if slices.Contains(known, p.value.name) {
			o.fields[p.value.name] = p.value
			continue
		}
		if guess := spelling.Nearest(p.value.name, known); guess != "" {
			r.add(p.key, p.value.path, "%s has no key %q; did you mean %s?", what, p.value.name, guess)
		} else {
			r.add(p.key, p.value.path, "%s has no key %.40q; it has %s", what, p.value.name, list(known, "and"))
		}
	}
	return o, true
}

// pair is a key's place and what stands behind it.
type pair struct {
	key   *token.Position
	value value
}

// pairs reads a map with any keys; each may stand once.
func (r *reader) pairs(v value, what string) ([]pair, bool) {
	var nodes []*ast.MappingValueNode
	switch n := v.node.(type) {
	case *ast.MappingNode:
		nodes = n.Values
	case *ast.MappingValueNode:
		nodes = []*ast.MappingValueNode{n}
	default:
		r.add(v.at, v.path, "%s must be a map of keys and values, not %s", what, v.found())
		return nil, false
	}
	var pairs []pair
	seen := map[string]int{}
	for _, n := range nodes {
		key := n.Key.GetToken()
		if _, merge := n.Key.(*ast.MergeKeyNode); merge {
			r.add(key.Position, v.path, "merging by << is not read here: write the keys out")
			continue
		}
		if anchored, ok := n.Key.(ast.Node).(*ast.AnchorNode); ok {
			key = anchored.Value.GetToken()
		}
		if line, twice := seen[key.Value]; twice {
			r.add(key.Position, v.path, "key %.40q stands here a second time, after line %d: keep one", key.Value, line)
			continue
		}
		seen[key.Value] = key.Position.Line
		path := key.Value
		if v.path != "" {
			path = v.path + "." + key.Value
		}
		pairs = append(pairs, pair{key.Position, r.value(n.Value, path, key.Value)})
	}
	return pairs, true
}

// optional hands the value of a key to read, if the key is there.
func (o *object) optional(key string, read func(value)) {
	if v, ok := o.fields[key]; ok && v.node != nil {
		if _, null := v.node.(*ast.NullNode); null {
			o.r.wrong(v, "has no value: give it one or leave the key out")
			return
		}
		read(v)
	}
}

// required does the same and misses a key that is not there.
func (o *object) required(key string, read func(value)) {
	if _, ok := o.fields[key]; !ok {
		o.r.add(o.at, o.path, "%s needs the key %s", o.what, key)
		return
	}
	o.optional(key, read)
}

func (o *object) has(key string) bool {
	_, ok := o.fields[key]
	return ok
}

// self is the object as a value, for findings about it as a whole.
func (o *object) self() value { return value{at: o.at, path: o.path, name: o.what} }

// The most frequent kinds of keys, each left as it was when the key is absent
// or its value wrong.

func (o *object) integer(key string, low, high int64, into *int) {
	o.optional(key, func(v value) {
		if n, ok := o.r.integer(v, low, high); ok {
			*into = int(n)
		}
	})
}

func (o *object) decimal(key string, positive bool, high int64, into *Decimal) {
	o.optional(key, func(v value) {
		if d, ok := o.r.decimal(v, positive, high); ok {
			*into = d
		}
	})
}

// highestHz is the end of the allotted spectrum.
const highestHz = 300_000_000_000

func (o *object) hertz(key string, into *int64) {
	o.required(key, func(v value) {
		if n, ok := o.r.integer(v, 0, highestHz); ok {
			*into = n
		}
	})
}
