package store

import (
	"slices"
	"sort"
	"strconv"

	"github.com/jackc/pgx/v5/pgtype"
)

// Ranges puts seqs together: each pair is the first and the last of a piece
// without gaps. It sorts seqs.
func Ranges(seqs []int64) (ranges [][2]int64) {
	slices.Sort(seqs)
	for _, seq := range seqs {
		last := len(ranges) - 1
		if last >= 0 && seq <= ranges[last][1]+1 {
			ranges[last][1] = seq
		} else {
			ranges = append(ranges, [2]int64{seq, seq})
		}
	}
	return ranges
}

// seqSet is a set of seqs: sorted pieces, each with its first and its last.
type seqSet [][2]int64

// setOf reads a multirange, whose pieces Postgres gives sorted and half-open.
func setOf(m pgtype.Multirange[pgtype.Range[int64]]) (set seqSet) {
	for _, r := range m {
		set = append(set, [2]int64{r.Lower, r.Upper - 1})
	}
	return set
}

func (s seqSet) contains(seq int64) bool {
	i := sort.Search(len(s), func(i int) bool { return seq <= s[i][1] })
	return i < len(s) && s[i][0] <= seq
}

// with is the set and one seq more, which it does not contain.
func (s seqSet) with(seq int64) seqSet {
	i := sort.Search(len(s), func(i int) bool { return seq < s[i][0] })
	follows, precedes := i > 0 && s[i-1][1]+1 == seq, i < len(s) && seq+1 == s[i][0]
	switch {
	case follows && precedes:
		s[i-1][1] = s[i][1]
		return slices.Delete(s, i, i+1)
	case follows:
		s[i-1][1] = seq
	case precedes:
		s[i][0] = seq
	default:
		return slices.Insert(s, i, [2]int64{seq, seq})
	}
	return s
}

// multirange writes the set as Postgres reads it.
func (s seqSet) multirange() string {
	text := []byte{'{'}
	for i, r := range s {
		if i > 0 {
			text = append(text, ',')
		}
		text = strconv.AppendInt(append(text, '['), r[0], 10)
		text = append(strconv.AppendInt(append(text, ','), r[1], 10), ']')
	}
	return string(append(text, '}'))
}
