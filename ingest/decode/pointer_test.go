package decode

import (
	"errors"
	"testing"
)

// TestPointerEvaluation runs the examples of RFC 6901 section 5, and the rules of its section 4 around them.
func TestPointerEvaluation(t *testing.T) {
	doc := []byte(`{
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
   }`)
	for _, tt := range []struct{ pointer, want string }{
		{``, string(doc)},
		{`/foo`, `["bar", "baz"]`},
		{`/foo/0`, `bar`},
		{`/`, `0`},
		{`/a~1b`, `1`},
		{`/c%d`, `2`},
		{`/e^f`, `3`},
		{`/g|h`, `4`},
		{`/i\j`, `5`},
		{`/k"l`, `6`},
		{`/ `, `7`},
		{`/m~0n`, `8`},
	} {
		t.Run("section 5 "+tt.pointer, func(t *testing.T) {
			p, err := parsePointer(tt.pointer)
			if err != nil {
				t.Fatal(err)
			}
			v, err := p.find(doc)
			if err != nil || string(v.raw) != tt.want {
				t.Errorf("got %q, %v; want %q", v.raw, err, tt.want)
			}
		})
	}
	for _, missing := range []string{`/foo/2`, `/foo/-`, `/foo/00`, `/foo/01`, `/foo/bar`, `/foo/0/x`, `/nix`, `//`, `/a~01b`} {
		t.Run("nowhere "+missing, func(t *testing.T) {
			p, err := parsePointer(missing)
			if err != nil {
				t.Fatal(err)
			}
			if v, err := p.find(doc); !errors.Is(err, errMissing) {
				t.Errorf("got %q, %v; want errMissing", v.raw, err)
			}
		})
	}
}

// TestPointerUnescapesInOrder is the case that RFC 6901 section 4 warns of: ~01 is the key ~1, not the key /.
func TestPointerUnescapesInOrder(t *testing.T) {
	p, err := parsePointer("/~01")
	if err != nil {
		t.Fatal(err)
	}
	v, err := p.find([]byte(`{"/": 1, "~1": 2}`))
	if err != nil || string(v.raw) != "2" {
		t.Errorf("got %q, %v; want 2", v.raw, err)
	}
}
