package fleet

import (
	"fmt"
	"strings"
)

var kinds = [NumKinds]string{
	StackVendor:      "stack-vendor",
	GlassFrontVendor: "glass-front-vendor",
	GlassDoor:        "glass-door",
	OpenFront:        "open-front",
}

var fanControls = [...]string{
	FanUnknown:        "unknown",
	FanContinuous:     "continuous",
	FanWithCompressor: "with-compressor",
	FanDoorSwitched:   "door-switched",
}

// String returns the kind as in the fleet file.
func (k Kind) String() string { return kinds[k] }

// String returns the product as in the fleet file.
func (p Product) String() string { return products[p].name }

// String returns the control as in the fleet file; "unknown" is what the
// absence of the key means there, and is not a word of the file.
func (f FanControl) String() string { return fanControls[f] }

// ParseKind finds a kind by its word in the fleet file.
func ParseKind(word string) (Kind, error) {
	i, err := oneOf(word, kinds[:])
	return Kind(i), err
}

// ParseProduct finds a product by its word in the fleet file.
func ParseProduct(word string) (Product, error) {
	i, err := oneOf(word, productNames())
	return Product(i), err
}

// ParseFanControl finds a fan control by its word in the fleet file.
func ParseFanControl(word string) (FanControl, error) {
	i, err := oneOf(word, fanControls[FanContinuous:])
	return FanContinuous + FanControl(i), err
}

// oneOf returns the index of word; the error says which words there are.
func oneOf(word string, words []string) (int, error) {
	for i, w := range words {
		if w == word {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%q is none of %s%s", word, strings.Join(words, ", "), didYouMean(word, words))
}

// didYouMean returns " (did you mean …?)" for the one of words that is nearest
// to word, or nothing when none is near.
func didYouMean(word string, words []string) string {
	best, least := "", 1+min(3, len(word)/3)
	for _, w := range words {
		if d := editDistance(strings.ToLower(word), w, least); d < least {
			best, least = w, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %s?)", best)
}

// editDistance counts the single-letter changes from a to b (Levenshtein),
// giving up with most once it cannot be less.
func editDistance(a, b string, most int) int {
	if len(a)-len(b) >= most || len(b)-len(a) >= most {
		return most
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
