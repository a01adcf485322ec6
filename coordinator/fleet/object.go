package fleet

import (
	"slices"

	"go.yaml.in/yaml/v3"

	"lamplighter/proto/spelling"
)

// object is a map of the file with known keys.
type object struct {
	r      *reader
	value         // the map; at is where its first key stands
	what   string // such as "a beacon", for sentences
	fields []value
}

// object reads a map whose keys are all among known. What is wrong with its keys
// is found here; ok is false when there is no map at all.
func (r *reader) object(v value, what string, known ...string) (o *object, ok bool) {
	pairs, ok := r.pairs(v, what)
	if !ok {
		return nil, false
	}
	o = &object{r: r, value: v, what: what, fields: make([]value, 0, len(pairs))}
	for i, p := range pairs {
		if i == 0 {
			o.at = p.key
		}
		if slices.Contains(known, p.value.name) {
			o.fields = append(o.fields, p.value)
			continue
		}
		if guess := spelling.Nearest(p.value.name, known); guess != "" {
			r.add(p.key, p.value.path(), "%s has no key %q; did you mean %s?", what, p.value.name, guess)
		} else {
			r.add(p.key, p.value.path(), "%s has no key %.40q; it has %s", what, p.value.name, list(known, "and"))
		}
	}
	return o, true
}

// pair is a key's place and what stands behind it.
type pair struct {
	key   place
	value value
}

// pairs reads a map with any keys; each may stand once.
func (r *reader) pairs(v value, what string) ([]pair, bool) {
	if !v.isMap() {
		r.add(v.at, v.path(), "%s must be a map of keys and values, not %s", what, v.found())
		return nil, false
	}
	nodes := v.node.Content
	pairs := make([]pair, 0, len(nodes)/2)
	for i := 0; i+1 < len(nodes); i += 2 {
		key := nodes[i]
		at := placeOf(key)
		if key.Tag == mergeTag {
			r.add(at, v.path(), "merging by << is not read here: write the keys out")
			continue
		}
		if key.Kind == yaml.AliasNode {
			key = key.Alias
		}
		if key.Kind != yaml.ScalarNode {
			r.add(at, v.path(), "%s has a list or a map as a key: keys are words here", what)
			continue
		}
		if j := slices.IndexFunc(pairs, func(p pair) bool { return p.value.name == key.Value }); j >= 0 {
			r.add(at, v.path(), "key %.40q stands here a second time, after line %d: keep one", key.Value, pairs[j].key.line)
			continue
		}
		if len(pairs) == mostKeys {
			r.add(at, v.path(), "%s has more than %d keys, which no fleet needs", what, mostKeys)
			break
		}
		pairs = append(pairs, pair{at, r.follow(value{in: &v, index: -1, name: key.Value}, nodes[i+1])})
	}
	return pairs, true
}

// mostKeys is how many keys of one map are looked at.
const mostKeys = 1000

func (o *object) field(key string) (value, bool) {
	i := slices.IndexFunc(o.fields, func(v value) bool { return v.name == key })
	if i < 0 {
		return value{}, false
	}
	return o.fields[i], true
}

// optional hands the value of a key to read, if the key is there.
func (o *object) optional(key string, read func(value)) {
	if v, ok := o.field(key); ok && v.node != nil {
		if v.is(nullTag) {
			o.r.wrong(v, "has no value: give it one or leave the key out")
			return
		}
		read(v)
	}
}

// required does the same and misses a key that is not there.
func (o *object) required(key string, read func(value)) {
	if !o.has(key) {
		o.r.add(o.at, o.path(), "%s needs the key %s", o.what, key)
		return
	}
	o.optional(key, read)
}

func (o *object) has(key string) bool {
	_, ok := o.field(key)
	return ok
}

// self is the object as a value, for findings about it as a whole.
func (o *object) self() value { return o.value }

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
