// Package spelling guesses which word was meant.
package spelling

import "strings"

const longest = 64 // bytes of a word that is worth comparing

// Nearest returns the known word that was probably meant, or "": the one with
// the fewest slips, if they are at most a third of the word's letters.
func Nearest(word string, known []string) string {
	if len(word) > longest {
		return ""
	}
	best, bestSlips := "", 1+len(word)/3
	for _, k := range known {
		if len(k)-len(word) >= bestSlips || len(word)-len(k) >= bestSlips {
			continue
		}
		if s := Slips(strings.ToLower(word), k); s < bestSlips {
			best, bestSlips = k, s
		}
	}
	return best
}

// Slips counts the letters put in, left out, replaced or exchanged with their
// neighbour that turn a into b. The cost grows with the product of the lengths.
func Slips(a, b string) int {
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

// OneSlip tells whether the two differ by at most one slip.
func OneSlip(a, b string) bool {
	return len(a) <= longest && len(b) <= longest && len(a)-len(b) <= 1 && len(b)-len(a) <= 1 && Slips(a, b) <= 1
}
