package store

import (
	"fmt"
	"slices"
	"sort"
	"strings"

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

func multirange(seqs []int64) string {
	var text strings.Builder
	for i, r := range Ranges(seqs) {
		if i > 0 {
			text.WriteByte(',')
		}
		fmt.Fprintf(&text, "[%d,%d]", r[0], r[1])
	}
	return "{" + text.String() + "}"
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
