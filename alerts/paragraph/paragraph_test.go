package paragraph

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWrite(t *testing.T) {
	long := strings.Repeat("Ω", Columns+5)
	for _, tt := range []struct{ name, lead, text, want string }{
		{"short", "- ", "switch  off\nfirst", "- switch off first\n"},
		{"nothing", "- ", "", "-\n"},
		{"just fits", "", strings.Repeat("é", 70) + " 123456789", strings.Repeat("é", 70) + " 123456789\n"},
		{"one too many", "  ✗ ", strings.Repeat("é", 70) + " 123456", "  ✗ " + strings.Repeat("é", 70) + "\n    123456\n"},
		{"a word too long", "- ", "a " + long + " b", "- a\n  " + long + "\n  b\n"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			Write(&b, tt.lead, tt.text)
			if diff := cmp.Diff(tt.want, b.String()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
