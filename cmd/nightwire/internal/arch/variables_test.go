package arch

import (
	"go/ast"
	"go/token"
	"go/types"
	"path/filepath"
	"slices"
	"strings"
)

// variables wants package variables to be nothing but names for what never changes: errors, patterns, embedded files,
// checks of a contract, and tables that nobody writes to. Two instances must fit into one test. It goes by names, not by
// types, so a method that changes its receiver escapes it.
func variables(all []*source) (out []string) {
	written := map[string][]string{} // by folder, the names that some function writes to and does not declare
	for _, s := range all {
		dir := filepath.Dir(s.path)
		for _, f := range s.functions() {
			written[dir] = append(written[dir], writes(f)...)
		}
	}
	for _, s := range all {
		for _, d := range s.tree.Decls {
			if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.VAR {
				out = append(out, changing(s, g, written[filepath.Dir(s.path)])...)
			}
		}
	}
	return out
}

// changing complains of the variables in g that are more than a name for what never changes.
func changing(s *source, g *ast.GenDecl, written []string) (out []string) {
	for _, spec := range g.Specs {
		v := spec.(*ast.ValueSpec)
		if v.Names[0].Name == "_" || embedded(g.Doc) || embedded(v.Doc) {
			continue
		}
		for i, name := range v.Names {
			constant := i < len(v.Values) && (s.isTest() || fixed(v.Type, v.Values[i]))
			if !constant || slices.Contains(written, name.Name) {
				out = append(out, s.complain(v, "%s can change, and is shared by all that the program makes", name.Name))
			}
		}
	}
	return out
}

func embedded(doc *ast.CommentGroup) bool {
	return doc != nil && slices.ContainsFunc(doc.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed ") })
}

// fixed reports whether a value is a plain one, a table, an error, or made by a call whose result never changes.
func fixed(typ, value ast.Expr) bool {
	switch value := value.(type) {
	case *ast.CompositeLit, *ast.BasicLit, *ast.BinaryExpr, *ast.SelectorExpr:
		return true
	case *ast.UnaryExpr: // a sentinel with a type of its own
		of, ok := typ.(*ast.Ident)
		return ok && of.Name == "error"
	case *ast.CallExpr:
		return slices.Contains([]string{"errors.New", "fmt.Errorf", "regexp.MustCompile", "time.Date", "strings.NewReplacer",
			"math.Sqrt", "math.Log", "math.Inf", "crc32.MakeTable"}, types.ExprString(value.Fun))
	}
	return false
}

// writes returns the names from outside a function that it writes to, in whole or in part, or takes the address of.
func writes(f *ast.FuncDecl) []string {
	var names []string
	local := map[string]bool{}
	declare := func(names ...*ast.Ident) {
		for _, n := range names {
			local[n.Name] = true
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Field:
			declare(n.Names...)
		case *ast.ValueSpec:
			declare(n.Names...)
		case *ast.AssignStmt:
			for _, e := range n.Lhs {
				if name, ok := e.(*ast.Ident); ok && n.Tok == token.DEFINE {
					declare(name)
				}
				names = append(names, variable(e))
			}
		case *ast.IncDecStmt:
			names = append(names, variable(n.X))
		case *ast.UnaryExpr:
			if n.Op == token.AND {
				names = append(names, variable(n.X))
			}
		}
		return true
	})
	return slices.DeleteFunc(names, func(name string) bool { return name == "" || local[name] })
}

// variable returns the name of the variable that an expression reaches into, or nothing.
func variable(e ast.Expr) string {
	switch x := e.(type) {
	case *ast.IndexExpr:
		return variable(x.X)
	case *ast.SelectorExpr:
		return variable(x.X)
	case *ast.StarExpr:
		return variable(x.X)
	case *ast.ParenExpr:
		return variable(x.X)
	case *ast.Ident:
		return x.Name
	}
	return ""
}
