package config

import (
	"bytes"
	"errors"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// kind is what a place in the file holds.
type kind uint8

const (
	nothing kind = iota // a key with no value, or null
	scalar
	list
	table
)

// node is one place in the file. It is all that the rest of the package knows of YAML.
type node struct {
	kind         kind
	text         string // of a scalar
	quoted       bool
	line, column int // from 1; columns count characters
	width        int // how many characters the caret line covers
	items        []*node
	members      []member
}

// member is a key of a table with its value, in the order of the file.
type member struct{ key, value *node }

// parse reads the file's text into nodes. Mistakes of syntax, and the parts of YAML that a farm file has no use for,
// are noted; the result is nil when there is nothing to go on with.
func (r *reader) parse(text []byte) *node {
	if !utf8.Valid(text) || bytes.IndexByte(text, 0) >= 0 {
		r.note(&node{line: 1, column: 1, width: 1}, "this is not text in UTF-8", "save the file as plain text")
		return nil
	}
	text = bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n")) // the parser counts the line twice where a comment ends so
	file, err := parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
	var syntax *yaml.SyntaxError
	switch {
	case errors.As(err, &syntax):
		at := placed(&node{kind: scalar}, syntax.Token)
		r.note(at, "not YAML: "+syntax.Message, syntaxHint(r.line(at.line)))
		return nil
	case err != nil:
		r.note(&node{line: 1, column: 1, width: 1}, "not YAML: "+firstLine(err.Error()), "")
		return nil
	}
	var root *node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		n := r.convert(doc.Body)
		if root != nil {
			r.note(n, "a second document begins here", "keep one farm in one file, without a line of ---")
			break
		}
		root = n
	}
	if len(r.mistakes) > 0 {
		return nil
	}
	return root
}

// syntaxHint guesses what is most often behind a broken line.
func syntaxHint(line string) string {
	switch {
	case strings.Contains(line, "\t"):
		return "indent with spaces: a tab is not allowed"
	case strings.Count(line, ": ") > 1 && !strings.ContainsAny(line, "{\"'"):
		return "put a text that has a colon in it in quotes"
	}
	return "look at the indentation, brackets and quotes here and on the line before: keys of one thing start in one column"
}

// convert turns the parser's tree into nodes.
func (r *reader) convert(n ast.Node) *node {
	out := placed(&node{kind: scalar}, n.GetToken())
	switch n := n.(type) {
	case *ast.NullNode:
		out.kind = nothing
		out.width = 1
	case *ast.StringNode:
		out.text = n.Value
	case *ast.LiteralNode:
		out.text = n.Value.Value
		out.quoted = true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.text = n.GetToken().Value
	case *ast.SequenceNode:
		out.kind = list
		for _, v := range n.Values {
			out.items = append(out.items, r.convert(v))
		}
	case *ast.MappingNode:
		out.kind = table
		for _, v := range n.Values {
			if _, plain := v.Key.(ast.ScalarNode); !plain {
				r.refuse(placed(&node{}, v.Key.GetToken()))
				continue
			}
			out.members = append(out.members, member{key: r.convert(v.Key), value: r.convert(v.Value)})
		}
		if len(out.members) > 0 && n.Start.Type != token.MappingStartType { // a block has no bracket to point at
			first := out.members[0].key
			out.line, out.column, out.width = first.line, first.column, first.width
		}
	default: // anchors, aliases, merge keys, tags
		r.refuse(out)
		out.kind = nothing
	}
	return out
}

// refuse notes a part of YAML that farm files do without. Leaving out anchors also leaves out texts that grow without
// bound when read.
func (r *reader) refuse(at *node) {
	at.width = 1
	r.note(at, "anchors, aliases, merge keys and tags are not used in a farm file", "write the value out")
}

// placed fills in where a token stands.
func placed(n *node, t *token.Token) *node {
	if t == nil || t.Position == nil {
		n.line, n.column, n.width = 1, 1, 1
		return n
	}
	n.line, n.column = max(t.Position.Line, 1), max(t.Position.Column, 1)
	n.quoted = t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType
	n.width = max(utf8.RuneCountInString(firstLine(t.Value)), 1)
	if n.quoted {
		n.width += 2
	}
	return n
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return strings.TrimRight(s, "\r")
}

// splitLines returns the lines of a text for showing.
func splitLines(text []byte) []string {
	var lines []string
	for line := range bytes.Lines(text) {
		lines = append(lines, strings.TrimRight(string(line), "\r\n"))
	}
	return lines
}
