package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
)

// TestProfile draws a fence of two zones, with a name that would break markup, and looks for every line and place.
func TestProfile(t *testing.T) {
	c := Profile{Title: `alder-bank <&"> planned`, Unit: "m",
		Lines: []ProfileLine{{"clean", []AlongKV{{0, 8}, {100, 7}, {300, 6.5}}}, {"light", []AlongKV{{0, 5}, {300, 3}}}},
		Needs: []Stretch{{"brook", 0, 100, 2}, {"<lane>", 100, 300, 3}}}
	got := c.SVG()
	for d := xml.NewDecoder(strings.NewReader(got)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("not well formed: %v\n%s", err, got)
		}
	}
	// The frame is 48 to 704 wide and 340 to 40 high: 8 kV at the top, 300 m at the right.
	for _, want := range []string{
		`xmlns="http://www.w3.org/2000/svg"`, `class="line n0" d="M48 40l218.7 37.5 437.3 18.8"`, `class="line n1" d="M48 152.5l656 75"`,
		`class="low" d="M48 265l218.7 0"`, `>&lt;lane&gt;</text>`, `>300 m</text>`, `>clean</text>`,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the picture has no %s:\n%s", want, got)
		}
	}
	if empty := (Profile{}).SVG(); !strings.HasSuffix(empty, "</svg>\n") || strings.Contains(empty, "NaN") {
		t.Errorf("a picture of nothing: %s", empty)
	}
}
