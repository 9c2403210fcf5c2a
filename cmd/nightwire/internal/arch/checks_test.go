package arch

import (
	"strings"
	"testing"
)

// TestChecks shows each check what it is there to find, since one that finds nothing looks just like a clean house.
func TestChecks(t *testing.T) {
	deep := "func f() { for { if a { for { if b { c() } } } } }"
	tests := []struct {
		name, check, text string
		want              int
	}{
		{"a long file", "sizes", strings.Repeat("\n", maxFileLines), 1},
		{"a long function", "sizes", "func f() {" + strings.Repeat("\n", maxFuncLines) + "}", 1},
		{"short ones", "sizes", "func f() {\n}", 0},
		{"four deep", "nesting", deep, 1},
		{"three deep", "nesting", "func f() { for { if a { for { } } } }", 0},
		{"else-if", "nesting", "func f() { for { if a { } else if b { } else if c { if d { } } } }", 0},
		{"a literal within", "nesting", "func f() { for { if a { g(func() { for { } }) } } }", 0},
		{"a deep literal", "nesting", "var x = 1\n" + strings.Replace(deep, "func f() {", "func f() { func() {", 1) + "()}", 1},
		{"sleep", "sleep", "func f() { time.Sleep(1) }", 1},
		{"another's sleep", "sleep", "func f() { pig.Sleep(1) }", 0},
		{"init", "init", "func init() { }", 1},
		{"a method called init", "init", "func (x t) init() { }", 0},
		{"no comment", "comments", "func F() { }", 1},
		{"a comment", "comments", "// F does it.\nfunc F() { }", 0},
		{"of something else", "comments", "// G does it.\nfunc F() { }", 1},
		{"no full stop", "comments", "// T is it\ntype T int", 1},
		{"a method of none's", "comments", "func (t *hidden) M() { }", 0},
		{"a method", "comments", "func (t *Seen[T]) M() { }", 1},
		{"a bare variable", "variables", "var n int", 1},
		{"a made one", "variables", "var n = make(map[int]int)", 1},
		{"a sentinel", "variables", `var ErrN = errors.New("n")`, 0},
		{"a sentinel of its own type", "variables", `var ErrN error = &fault{}`, 0},
		{"a contract", "variables", "var _ I = (*T)(nil)", 0},
		{"a file", "variables", "//go:embed x\nvar x []byte", 0},
		{"a table", "variables", "var x = [...]int{1, 2}\nfunc f() int { return x[0] }", 0},
		{"a table that is written to", "variables", "var x = [...]int{1, 2}\nfunc f() { x[0]++ }", 1},
		{"a table that is replaced", "variables", "var x = []int{1, 2}\nfunc f() { x = nil }", 1},
		{"one whose address is taken", "variables", "var x = T{}\nfunc f() { g(&x) }", 1},
		{"a namesake", "variables", "var x = []int{1, 2}\nfunc f(x []int) { x[0]++ }", 0},
	}
	all := checks()
	all["variables"] = func(s *source) []string { return variables([]*source{s}) }
	for _, tt := range tests {
		t.Run(tt.check+" "+tt.name, func(t *testing.T) {
			s, err := parse("some/where.go", []byte("package p\n"+tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if got := all[tt.check](s); len(got) != tt.want {
				t.Errorf("complaints %q, want %d", got, tt.want)
			}
		})
	}
}

func TestCodeLines(t *testing.T) {
	text := "package p\n\n// c\nvar x = `a\nb` // d\n\n/* e\n */\nfunc f() {\n}\n"
	if got := codeLines([]byte(text)); got != 5 {
		t.Errorf("%d lines of code, want 5", got)
	}
}
