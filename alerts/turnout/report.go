package turnout

import (
	"fmt"
	"io"
	"strings"

	"nightwire/alerts"
	"nightwire/alerts/paragraph"
)

// MarginsText says what the limits of the check rest on.
const MarginsText = "The margin of a quarter, and what counts as steady, are this program's own: common practice, no source. In training a zone " +
	"must beat the highest published minimum of its group."

// Write tells the verdict: the answer first, then what speaks against it, then the rest.
func (v *Verdict) Write(w io.Writer) error {
	var b strings.Builder
	zones := strings.Join(v.Zones, ", ")
	reasons := len(v.Reasons())
	switch {
	case v.Yes:
		fmt.Fprintf(&b, "YES: let them out (%s).\n", zones)
	case len(v.Zones) == 0:
		b.WriteString("NO: there is no zone to let them out into.\n")
	case reasons == 1:
		fmt.Fprintf(&b, "NO: not yet (%s). One thing speaks against it:\n", zones)
	default:
		fmt.Fprintf(&b, "NO: not yet (%s). %d things speak against it:\n", zones, reasons)
	}
	for _, part := range []struct {
		state State
		head  string
		sign  string
	}{{Failed, "", "  ✗ "}, {Noted, "\nFor you to see to:\n", "  ? "}, {Passed, "\nWell:\n", "  ✓ "}} {
		head := part.head
		for _, c := range v.Checks {
			if c.State != part.state {
				continue
			}
			b.WriteString(head)
			head = ""
			paragraph.Write(&b, part.sign, c.About+": "+c.Text)
		}
	}
	b.WriteString("\n")
	paragraph.Write(&b, "", MarginsText)
	for _, c := range alerts.Cautions(alerts.AboutReadings, alerts.AboutStock) {
		paragraph.Write(&b, "- ", c.Text+" ["+c.Standing+"]")
	}
	_, err := io.WriteString(w, b.String())
	return err
}
