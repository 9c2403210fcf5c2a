// Package paragraph fits text for people into 80 columns, which any terminal has.
package paragraph

import (
	"strings"
	"unicode/utf8"
)

// Columns is how many characters a line has at most.
const Columns = 80

// Write writes text in lines of at most Columns characters; a longer word stands alone. Before the first line stands
// the lead, and the others are indented as far.
func Write(b *strings.Builder, lead, text string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(lead))
	line, empty := lead, true
	for word := range strings.FieldsSeq(text) {
		switch {
		case empty:
			line += word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > Columns:
			b.WriteString(line + "\n")
			line = indent + word
		default:
			line += " " + word
		}
		empty = false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
}
