package fleet

import (
	"strings"
)

// list joins words as in "a, b or c".
func list(words []string, last string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " " + last + " " + words[len(words)-1]
}

// nearest returns the known word that was probably meant, or "".
func nearest(word string, known []string) string {
	const longest = 64 // of what is worth comparing
	if len(word) > longest {
		return ""
	}
	best, bestSlips := "", 1+len(word)/3
	for _, k := range known {
		if len(k)-len(word) >= bestSlips || len(word)-len(k) >= bestSlips {
			continue
		}
		if s := slips(strings.ToLower(word), k); s < bestSlips {
			best, bestSlips = k, s
		}
	}
	return best
}

// slips counts the letters put in, left out, replaced or exchanged with their
// neighbour that turn a into b.
func slips(a, b string) int {
	before, row := []int(nil), make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		next := make([]int, len(b)+1)
		next[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			next[j] = min(row[j]+1, next[j-1]+1, row[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				next[j] = min(next[j], before[j-2]+1)
			}
		}
		before, row = row, next
	}
	return row[len(b)]
}
