package config

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// Mistake is one thing wrong with a farm file, with the place to look at and what to do.
type Mistake struct {
	File         string
	Line, Column int    // from 1; columns count characters
	Source       string // the line itself, fit to be shown
	Width        int    // how many characters are meant, from Column
	Text         string
	Hint         string // empty when the text says it all
}

// Mistakes is everything wrong with a farm file, in the order of its lines.
type Mistakes []Mistake

// maxMistakes is how many are shown: whoever has more has one of a kind that repeats.
const maxMistakes = 50

// Error returns the mistakes for a terminal, each with its line and a caret.
func (ms Mistakes) Error() string {
	var b strings.Builder
	for i, m := range ms {
		if i == maxMistakes {
			fmt.Fprintf(&b, "… and %d more\n", len(ms)-i)
			break
		}
		b.WriteString(m.String())
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// String returns the mistake as Error shows it, ending in a line end.
func (m Mistake) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: %s\n", m.File, m.Line, m.Column, m.Text)
	source, column, width := m.window()
	if source != "" {
		number := fmt.Sprintf("%5d", m.Line)
		fmt.Fprintf(&b, "%s | %s\n", number, source)
		fmt.Fprintf(&b, "%s | %s%s\n", strings.Repeat(" ", len(number)), strings.Repeat(" ", column-1), strings.Repeat("^", width))
	}
	if m.Hint != "" {
		fmt.Fprintf(&b, "      hint: %s\n", m.Hint)
	}
	return b.String()
}

// window cuts a long line to what stands around the caret.
func (m Mistake) window() (source string, column, width int) {
	const before, after = 60, 60
	line := []rune(m.Source)
	column = min(max(m.Column, 1), len(line)+1)
	from, to := max(column-1-before, 0), min(column-1+after, len(line))
	width = min(max(m.Width, 1), max(to-(column-1), 1))
	source = string(line[from:to])
	column -= from
	if from > 0 {
		source = "…" + source
		column++
	}
	if to < len(line) {
		source += "…"
	}
	return source, column, width
}

// sort orders the mistakes by line and column.
func (ms Mistakes) sort() {
	slices.SortStableFunc(ms, func(a, b Mistake) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
}

var (
	secretValue = regexp.MustCompile(`(?i)((?:password|passwd|token|secret|api_?key)["']?\s*:\s*)[^\s#].*`)
	userInfo    = regexp.MustCompile(`://[^/@\s]*@`)
)

// sourceLine returns a line of the file fit to be shown, without any secret that somebody wrote where it does not
// belong.
func sourceLine(line string) string {
	return showable(secretValue.ReplaceAllString(line, "${1}***"))
}

// showable leaves out of a text what a terminal would act on, and the user names and passwords of addresses.
func showable(line string) string {
	line = userInfo.ReplaceAllString(line, "://***@")
	return strings.Map(func(r rune) rune {
		if r == '\t' || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, line)
}

// didYouMean returns a hint with the known word nearest to the one given, or the whole list when it is short.
func didYouMean(word string, known []string) string {
	best, distance := "", 3
	for _, k := range known {
		if d := editDistance(strings.ToLower(word), strings.ToLower(k)); d < distance && d < len(k) {
			best, distance = k, d
		}
	}
	switch {
	case best != "":
		return "did you mean " + best + "?"
	case len(known) == 0:
		return ""
	case len(known) <= 12:
		return "one of: " + strings.Join(known, ", ")
	}
	return ""
}

// editDistance is the Levenshtein distance, with early ends for words that cannot be near.
func editDistance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 40
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
