package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Redacted returns the text of a farm file as somebody who helps may see it: without comments, people, addresses,
// user names, and what stands behind a question mark in an address. Names of secret files stay; secrets never stood in
// it. The file must have passed Parse.
func Redacted(text []byte) (string, error) {
	r := &reader{file: "farm file", at: map[any]*node{}, broken: map[any]bool{}, hidden: map[int]int{}}
	root := r.parse(text)
	if root == nil {
		return "", r.mistakes
	}
	var b strings.Builder
	writeNode(&b, root, "", "")
	return b.String(), nil
}

// shownOfPeople are the keys of a person that say nothing of who it is.
func shownOfPeople() []string { return []string{"order", "quiet", "letters"} }

// private reports whether a value is not for others.
func private(path, key string) bool {
	if strings.HasPrefix(path, "/people/") {
		return !slices.Contains(shownOfPeople(), key)
	}
	return key == "user" || key == "from"
}

// writeNode writes n as YAML, indented by indent. Path is the keys above it.
func writeNode(b *strings.Builder, n *node, indent, path string) {
	for _, m := range n.members {
		key := m.key.text
		fmt.Fprintf(b, "%s%s:", indent, strconv.Quote(key))
		writeValue(b, m.value, indent, path, key)
	}
	for _, item := range n.items {
		fmt.Fprintf(b, "%s-", indent)
		writeValue(b, item, indent, path, "")
	}
}

func writeValue(b *strings.Builder, n *node, indent, path, key string) {
	switch n.kind {
	case table, list:
		b.WriteString("\n")
		writeNode(b, n, indent+"  ", path+"/"+key)
	case scalar:
		text := n.text
		if private(path+"/", key) {
			text = "***"
		}
		if address, _, ok := strings.Cut(text, "?"); ok && strings.Contains(address, "://") {
			text = address + "?***"
		}
		fmt.Fprintf(b, " %s\n", strconv.Quote(text))
	case nothing:
		b.WriteString("\n")
	}
}
