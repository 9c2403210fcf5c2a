package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"nightwire/ingest/farm"
)

// Relay is a change of the layout to be made in a farm file. What is zero stays.
type Relay struct {
	Zone    string
	FedBy   string
	LengthM float64
	Away    bool // take it off the fence; its lines stay in the file as a comment
	Back    bool // bring it back from there
}

// Relaid is a farm file with the layout changed and all else left as it was, to the byte.
type Relaid struct {
	Text   []byte
	Config *Config
	Lines  []Line // what is other than before
}

// Line is a line of a file before and after.
type Line struct {
	Number   int
	Old, New string
}

// String tells a person what to write.
func (l Line) String() string { return fmt.Sprintf("%d: %s", l.Number, l.New) }

// Why a farm file cannot be edited. Each comes with what to do.
var (
	ErrNotThere = errors.New("the farm file has no such zone")
	ErrNoChange = errors.New("it is so already")
	ErrByHand   = errors.New("this has to be edited by hand")
)

// awayMark stands before each line of a zone that was taken away.
const awayMark = "# away: "

// Edit makes changes of the layout in the text of a farm file. The result has been checked, and differs from the old file
// in what was asked for and in nothing else. Path is what mistakes call it. Mistakes are those that the edited file would
// have.
func Edit(path string, text []byte, changes ...Relay) (*Relaid, error) {
	old, err := Parse(path, text)
	if err != nil {
		return nil, err
	}
	lines := slices.Collect(bytes.Lines(text))
	want := old.Farm.Layout()
	for _, c := range changes {
		if want, err = c.edit(path, lines, want); err != nil {
			return nil, err
		}
	}
	out := &Relaid{Text: bytes.Join(lines, nil)}
	for i, was := range slices.Collect(bytes.Lines(text)) {
		if !bytes.Equal(was, lines[i]) {
			out.Lines = append(out.Lines, Line{i + 1, strings.TrimRight(string(was), "\r\n"), strings.TrimRight(string(lines[i]), "\r\n")})
		}
	}
	if out.Config, err = Parse(path, out.Text); err != nil {
		return nil, err
	}
	for _, c := range changes {
		if z := out.Config.Farm.Zone(c.Zone); c.Back && z != nil {
			want.Zones = append(want.Zones, *z)
		}
	}
	if !old.sameBut(out.Config, want) {
		return nil, fmt.Errorf("%w: more than was asked for would change\nhint: %s", ErrByHand, ByHand("write it yourself, then check it", out.Lines))
	}
	return out, nil
}

// ByHand says what to do, and what to write in which lines.
func ByHand(what string, lines []Line) string {
	var b strings.Builder
	b.WriteString(what)
	for _, l := range lines {
		fmt.Fprintf(&b, "\n  line %s", l)
	}
	return b.String()
}

// sameBut reports whether next is c with another layout.
func (c *Config) sameBut(next *Config, layout farm.Layout) bool {
	a, b := *c, *next
	if len(b.Farm.Layout().Changes(layout)) > 0 || len(a.Farm.Energizers) != len(b.Farm.Energizers) {
		return false
	}
	a.reader, b.reader = nil, nil
	a.Farm.Zones, b.Farm.Zones = nil, nil
	return reflect.DeepEqual(a, b)
}

// edit makes one change in the lines, and returns the layout that they are to have.
func (c Relay) edit(path string, lines [][]byte, l farm.Layout) (farm.Layout, error) {
	i := slices.IndexFunc(l.Zones, func(z farm.Zone) bool { return z.Name == c.Zone })
	switch {
	case c.Back && i >= 0:
		return l, fmt.Errorf("%w: %s is on the fence", ErrNoChange, c.Zone)
	case c.Back:
		return l, c.bringBack(path, lines)
	case i < 0:
		return l, fmt.Errorf("%w: %s\nhint: nightwire check FILE lists the zones; one that was taken away comes back by --back", ErrNotThere, c.Zone)
	}
	at := zoneNode(path, lines, c.Zone)
	if at == nil {
		return l, fmt.Errorf("%w: zone %s is not found among the lines of %s", ErrByHand, c.Zone, path)
	}
	l.Zones = slices.Clone(l.Zones)
	z := &l.Zones[i]
	if c.Away {
		l.Zones = slices.Delete(l.Zones, i, i+1)
		return l, takeAway(lines, at, c.Zone)
	}
	same := true
	if c.FedBy != "" && c.FedBy != z.FedBy {
		z.FedBy, same = c.FedBy, false
		if err := setValue(lines, at, "fed_by", c.FedBy); err != nil {
			return l, err
		}
		at = zoneNode(path, lines, c.Zone) // on one line, what follows has moved
	}
	if c.LengthM > 0 && c.LengthM != z.LengthM {
		z.LengthM, same = c.LengthM, false
		if err := setValue(lines, at, "length_m", strconv.FormatFloat(c.LengthM, 'f', -1, 64)); err != nil {
			return l, err
		}
	}
	if same {
		return l, fmt.Errorf("%w: %s is %g m long, fed by %s", ErrNoChange, c.Zone, z.LengthM, z.FedBy)
	}
	return l, nil
}

// zoneNode returns where a zone stands in the lines; nil when it does not.
func zoneNode(path string, lines [][]byte, name string) *node {
	r := &reader{file: path}
	root := r.parse(bytes.TrimPrefix(bytes.Join(lines, nil), []byte("\xef\xbb\xbf")))
	if root == nil {
		return nil
	}
	for _, item := range root.member("zones").list() {
		if n := item.member("name"); n != nil && n.text == name {
			return item
		}
	}
	return nil
}

// member returns the value of a key, nil when there is none.
func (n *node) member(key string) *node {
	if n != nil {
		for _, m := range n.members {
			if m.key.text == key {
				return m.value
			}
		}
	}
	return nil
}

func (n *node) list() []*node {
	if n == nil {
		return nil
	}
	return n.items
}

// setValue writes another value in the place of a key's.
func setValue(lines [][]byte, zone *node, key, value string) error {
	v := zone.member(key)
	if v == nil || v.line > len(lines) {
		return fmt.Errorf("%w: %s is not in a line of its own\nhint: write %s: %s", ErrByHand, key, key, value)
	}
	line := []rune(string(lines[v.line-1]))
	from, to := v.column-1, v.column-1+v.width
	if to > len(line) || strings.Trim(string(line[from:to]), `"'`) != v.text {
		return fmt.Errorf("%w: line %d cannot be told apart\nhint: write %s: %s", ErrByHand, v.line, key, value)
	}
	lines[v.line-1] = []byte(string(line[:from]) + value + string(line[to:]))
	return nil
}

// takeAway makes a comment of a zone's lines.
func takeAway(lines [][]byte, zone *node, name string) error {
	from := zone.line - 1
	dash, ok := dashOf(lines[from])
	if !ok {
		return fmt.Errorf("%w: zone %s does not begin in a line of its own, with a dash\nhint: take it out of the list in line %d", ErrByHand, name, zone.line)
	}
	to := from + 1
	for next := to; next < len(lines) && (indent(lines[next]) > dash || blank(lines[next])); next++ {
		if !blank(lines[next]) {
			to = next + 1
		}
	}
	for i := from; i < to; i++ {
		lines[i] = append([]byte(awayMark), lines[i]...)
	}
	return nil
}

// bringBack makes a zone of the comment that takeAway left.
func (c Relay) bringBack(path string, lines [][]byte) error {
	from, item := findAway(path, lines, c.Zone)
	if item == nil {
		return fmt.Errorf("%w: %s, nor one that was taken away\nhint: write it under zones", ErrNotThere, c.Zone)
	}
	copy(lines[from:], item)
	return nil
}

// IsAway reports whether a zone was taken away, and stands in a farm file as a comment.
func IsAway(text []byte, zone string) bool {
	_, item := findAway("", slices.Collect(bytes.Lines(text)), zone)
	return item != nil
}

// findAway returns the first of the lines of a zone that was taken away, and its lines as they were.
func findAway(path string, lines [][]byte, zone string) (from int, item [][]byte) {
	for from := range lines {
		first, away := bytes.CutPrefix(lines[from], []byte(awayMark))
		dash, ok := dashOf(first)
		if !away || !ok {
			continue
		}
		item := [][]byte{first}
		for _, line := range lines[from+1:] {
			rest, away := bytes.CutPrefix(line, []byte(awayMark))
			if !away || !blank(rest) && indent(rest) <= dash {
				break
			}
			item = append(item, rest)
		}
		if zoneNode(path, append([][]byte{[]byte("zones:\n")}, item...), zone) != nil {
			return from, item
		}
	}
	return 0, nil
}

// dashOf returns at which column, from 0, the dash of a list stands; false when the line begins otherwise.
func dashOf(line []byte) (int, bool) {
	rest := bytes.TrimLeft(line, " ")
	return len(line) - len(rest), bytes.HasPrefix(rest, []byte("- "))
}

func indent(line []byte) int { return len(line) - len(bytes.TrimLeft(line, " ")) }

func blank(line []byte) bool { return len(bytes.TrimSpace(line)) == 0 }
