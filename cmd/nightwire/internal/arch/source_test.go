package arch

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/scanner"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The limits of the house style.
const (
	maxFileLines = 500
	maxFuncLines = 60
	maxNesting   = 3
)

// source is one Go file.
type source struct {
	path  string // from the top of the module
	lines int
	code  int // lines that hold more than a comment
	set   *token.FileSet
	tree  *ast.File
}

func parse(path string, text []byte) (*source, error) {
	set := token.NewFileSet()
	tree, err := parser.ParseFile(set, path, text, parser.ParseComments|parser.SkipObjectResolution)
	return &source{path: path, lines: bytes.Count(text, []byte("\n")), code: codeLines(text), set: set, tree: tree}, err
}

func (s *source) isTest() bool { return strings.HasSuffix(s.path, "_test.go") }

// complain says what is wrong at a place.
func (s *source) complain(n ast.Node, format string, args ...any) string {
	return fmt.Sprintf("%s:%d: ", s.path, s.set.Position(n.Pos()).Line) + fmt.Sprintf(format, args...)
}

// span returns how many lines something takes.
func (s *source) span(n ast.Node) int {
	return s.set.Position(n.End()).Line - s.set.Position(n.Pos()).Line + 1
}

// functions returns the file's functions and methods.
func (s *source) functions() (out []*ast.FuncDecl) {
	for _, d := range s.tree.Decls {
		if f, ok := d.(*ast.FuncDecl); ok {
			out = append(out, f)
		}
	}
	return out
}

// sources reads every Go file of the module, whatever system it is for.
func sources(t *testing.T) (all []*source) {
	t.Helper()
	top := root(t)
	err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != top && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if d.IsDir() || filepath.Ext(path) != ".go" {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(top, path)
		if err != nil {
			return err
		}
		s, err := parse(filepath.ToSlash(rel), text)
		all = append(all, s)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// check returns what is wrong with a file.
type check func(*source) []string

// checks are those of single files, by name.
func checks() map[string]check {
	return map[string]check{"sizes": sizes, "nesting": nesting, "sleep": sleep, "init": inits, "comments": exportedComments}
}

func TestSource(t *testing.T) {
	all := sources(t)
	if len(all) == 0 {
		t.Fatal("no Go files found")
	}
	for name, find := range checks() {
		t.Run(name, func(t *testing.T) {
			for _, s := range all {
				report(t, find(s))
			}
		})
	}
	t.Run("variables", func(t *testing.T) { report(t, variables(all)) })
	t.Run("tested", func(t *testing.T) { tested(t, all) })
}

func report(t *testing.T, complaints []string) {
	t.Helper()
	for _, c := range complaints {
		t.Error(c)
	}
}

func sizes(s *source) (out []string) {
	if s.lines > maxFileLines {
		out = append(out, fmt.Sprintf("%s has %d lines, at most %d are wanted", s.path, s.lines, maxFileLines))
	}
	for _, f := range s.functions() {
		if n := s.span(f); n > maxFuncLines {
			out = append(out, s.complain(f, "%s has %d lines, at most %d are wanted", f.Name.Name, n, maxFuncLines))
		}
	}
	return out
}

func inits(s *source) (out []string) {
	for _, f := range s.functions() {
		if f.Recv == nil && f.Name.Name == "init" {
			out = append(out, s.complain(f, "an init function runs in every program that imports the package"))
		}
	}
	return out
}

// sleep wants clocks and timers that a test can turn: an injected clock, or testing/synctest.
func sleep(s *source) (out []string) {
	ast.Inspect(s.tree, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok || sel.Sel.Name != "Sleep" {
			return true
		}
		if pkg, ok := sel.X.(*ast.Ident); ok && pkg.Name == "time" {
			out = append(out, s.complain(n, "sleeping makes code slow to test and tests unsure"))
		}
		return true
	})
	return out
}

// nesting counts branches and loops within each other. Tests may go deeper: a table within a table is easier to read in
// one piece.
func nesting(s *source) (out []string) {
	if s.isTest() {
		return nil
	}
	for _, f := range s.functions() {
		if n := deepest(f, 0); n > maxNesting {
			out = append(out, s.complain(f, "%s is nested %d deep, at most %d is wanted", f.Name.Name, n, maxNesting))
		}
	}
	return out
}

// deepest returns the depth of the most nested statement in n, which is at depth itself. An else-if stays at the depth of
// its if, and a function literal starts afresh: it could as well have a name.
func deepest(n ast.Node, depth int) int {
	most := depth
	ast.Inspect(n, func(inner ast.Node) bool {
		if inner == n {
			return true
		}
		switch x := inner.(type) {
		case *ast.FuncLit:
			most = max(most, deepest(x, 0))
			return false
		case *ast.IfStmt:
			d := depth + 1
			if parent, ok := n.(*ast.IfStmt); ok && parent.Else == x {
				d = depth
			}
			most = max(most, deepest(x, d))
			return false
		case *ast.ForStmt, *ast.RangeStmt, *ast.SwitchStmt, *ast.TypeSwitchStmt, *ast.SelectStmt:
			most = max(most, deepest(x, depth+1))
			return false
		}
		return true
	})
	return most
}

// exportedComments wants a sentence on every type, function and method that others can see.
func exportedComments(s *source) (out []string) {
	if s.isTest() {
		return nil
	}
	want := func(n ast.Node, name *ast.Ident, docs ...*ast.CommentGroup) {
		isSentence := func(doc *ast.CommentGroup) bool { return sentence(doc, name.Name) }
		if name.IsExported() && !slices.ContainsFunc(docs, isSentence) {
			out = append(out, s.complain(n, "no comment that begins with %s and ends in a full stop", name.Name))
		}
	}
	for _, d := range s.tree.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if receiverExported(d) {
				want(d, d.Name, d.Doc)
			}
		case *ast.GenDecl:
			for _, spec := range d.Specs {
				if ts, ok := spec.(*ast.TypeSpec); ok {
					want(ts, ts.Name, d.Doc, ts.Doc)
				}
			}
		}
	}
	return out
}

func receiverExported(f *ast.FuncDecl) bool {
	if f.Recv == nil {
		return true
	}
	typ := f.Recv.List[0].Type
	if star, ok := typ.(*ast.StarExpr); ok {
		typ = star.X
	}
	if of, ok := typ.(*ast.IndexExpr); ok {
		typ = of.X
	}
	name, ok := typ.(*ast.Ident)
	return ok && name.IsExported()
}

// sentence reports whether a comment begins with name and its first paragraph ends as a sentence or in an example.
func sentence(doc *ast.CommentGroup, name string) bool {
	rest, ok := strings.CutPrefix(doc.Text(), name)
	first, _, _ := strings.Cut(rest, "\n\n")
	first = strings.TrimSpace(first)
	return ok && rest != "" && strings.ContainsAny(rest[:1], " ,'") && strings.ContainsAny(first[max(0, len(first)-1):], ".:")
}

// tested wants as many lines of tests as of code where a mistake costs most. Blank lines and comments do not count; cases
// that are data alone do.
func tested(t *testing.T, all []*source) {
	for _, tree := range []string{"alerts", "ingest/decode", "ingest/store"} {
		code, tests := 0, cases(t, tree)
		for _, s := range all {
			switch {
			case !strings.HasPrefix(s.path, tree+"/"):
			case s.isTest():
				tests += s.code
			default:
				code += s.code
			}
		}
		t.Logf("%s: %d lines of code, %d of tests", tree, code, tests)
		if code == 0 || tests < code {
			t.Errorf("%s has %d lines of tests for %d of code", tree, tests, code)
		}
	}
}

// cases counts the lines of a tree's test cases that are written as text.
func cases(t *testing.T, tree string) (lines int) {
	t.Helper()
	top := filepath.Join(root(t), filepath.FromSlash(tree))
	err := filepath.WalkDir(top, func(path string, _ fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".txt" {
			return err
		}
		text, err := os.ReadFile(path)
		for line := range bytes.Lines(text) {
			if len(bytes.TrimSpace(line)) > 0 {
				lines++
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

// codeLines counts the lines that hold more than a comment.
func codeLines(text []byte) int {
	file := token.NewFileSet().AddFile("", -1, len(text))
	var s scanner.Scanner
	s.Init(file, text, nil, 0) // without comments
	n, last := 0, 0
	for {
		pos, tok, lit := s.Scan()
		if tok == token.EOF {
			return n
		}
		if tok == token.SEMICOLON && lit == "\n" {
			continue // the scanner puts these in
		}
		first := file.Line(pos)
		end := first + strings.Count(lit, "\n")
		n += end - max(first-1, last)
		last = max(last, end)
	}
}
