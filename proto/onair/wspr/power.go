package wspr

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// legalPowers are those of the list in public protocol texts. Seven bits
// would carry more, but another value is read as a message of type 2.
var legalPowers = []int{0, 3, 7, 10, 13, 17, 20, 23, 27, 30, 33, 37, 40, 43, 47, 50, 53, 57, 60}

// LegalPowers lists the powers that a message can state, in dBm, rising.
func LegalPowers() []int { return slices.Clone(legalPowers) }

// NearestPower is the legal power nearest to dbm, the lower of two.
func NearestPower(dbm int) int {
	i, found := slices.BinarySearch(legalPowers, dbm)
	switch {
	case found || i == 0:
		return legalPowers[i]
	case i == len(legalPowers) || dbm-legalPowers[i-1] <= legalPowers[i]-dbm:
		return legalPowers[i-1]
	}
	return legalPowers[i]
}

func checkPower(dbm int) error {
	if slices.Contains(legalPowers, dbm) {
		return nil
	}
	list := make([]string, len(legalPowers))
	for i, p := range legalPowers {
		list[i] = strconv.Itoa(p)
	}
	return &Error{
		Reason: PowerNotLegal, Value: strconv.Itoa(dbm),
		Err: fmt.Errorf("a message carries only %s; the nearest is %d", strings.Join(list, ", "), NearestPower(dbm)),
	}
}
