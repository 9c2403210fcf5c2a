package config

import (
	"fmt"
	"reflect"
	"strings"
)

// Reference returns the reference of the farm file as a page in Markdown, made from what the reader itself goes by.
func Reference() string {
	var b strings.Builder
	b.WriteString(`# The farm file

One YAML file says what the fence is and who is told. ` + "`nightwire check farm.yaml`" + ` finds every mistake in one go, with its
line and what to do; an unknown key is a mistake. Keys with a **\*** must be given. Lengths are in metres, voltages in
kilovolts, times as ` + "`90s`, `10m`, `1.5h` or `730d`" + `. A file named by a ` + "`…_file`" + ` key holds one secret and nothing else; its name is
relative to the farm file, or is that of a credential of the service.

An editor that knows YAML schemas completes and explains all this, given ` + "`deploy/farm.schema.json`" + `.
`)
	reference(&b, reflect.TypeFor[file](), "", "the whole file")
	return b.String()
}

// reference writes the table of one part of the file, and then of the parts in it.
func reference(b *strings.Builder, t reflect.Type, path, title string) {
	fmt.Fprintf(b, "\n## %s\n\n| key | what it says |\n|---|---|\n", title)
	type part struct {
		key string
		t   reflect.Type
	}
	var parts []part
	for _, f := range fieldsOf(t) {
		key := "`" + f.key + "`"
		if f.need {
			key += "\\*"
		}
		inner, many := structIn(t.Field(f.index).Type)
		doc := f.doc
		if inner != nil {
			name := path + f.key
			if many {
				name += "[]"
			}
			doc += fmt.Sprintf("; see %s below", "`"+name+"`")
			parts = append(parts, part{name, inner})
		}
		fmt.Fprintf(b, "| %s | %s |\n", key, strings.ReplaceAll(doc, "|", `\|`))
	}
	for _, p := range parts {
		reference(b, p.t, p.key+".", "`"+p.key+"`")
	}
}

// structIn returns the type of a part of the file that has keys of its own, and whether there may be many of it.
func structIn(t reflect.Type) (inner reflect.Type, many bool) {
	switch t.Kind() {
	case reflect.Pointer:
		return structIn(t.Elem())
	case reflect.Slice, reflect.Map:
		inner, _ = structIn(t.Elem())
		return inner, true
	case reflect.Struct:
		if len(fieldsOf(t)) > 0 {
			return t, false
		}
	}
	return nil, false
}
