package config

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// reader fills structs from nodes and keeps where each value came from, so that whatever is found wrong later can be
// shown in its line. A struct field names its key in the tag "key", with ",need" when the key must be there.
type reader struct {
	file     string
	lines    []string
	at       map[any]*node // by the address of what was filled
	broken   map[any]bool  // what could not be read, so that nothing more is said about it
	mistakes Mistakes
	hidden   map[int]int // columns from which lines are not shown, since a secret stands there
}

// note adds a mistake at a node.
func (r *reader) note(at *node, text, hint string) {
	r.mistakes = append(r.mistakes, Mistake{
		File: r.file, Line: at.line, Column: at.column, Width: at.width,
		Source: r.shown(at.line), Text: showable(text), Hint: showable(hint),
	})
}

// shown returns a line fit to be shown.
func (r *reader) shown(n int) string {
	line := []rune(r.line(n))
	if from, ok := r.hidden[n]; ok && from-1 < len(line) {
		return sourceLine(string(line[:from-1]) + "***")
	}
	return sourceLine(string(line))
}

// hide keeps the values of keys that want a file for their secret out of what is shown.
func (r *reader) hide(n *node, fields []fieldInfo) {
	for _, m := range n.members {
		if slices.ContainsFunc(fields, func(f fieldInfo) bool { return f.key == m.key.text+"_file" }) {
			r.hidden[m.value.line] = m.value.column
		}
	}
}

// blame adds a mistake at the place that filled what field points to.
func (r *reader) blame(field any, hint, format string, args ...any) {
	at := r.at[field]
	if at == nil {
		at = &node{line: 1, column: 1, width: 1}
	}
	r.note(at, fmt.Sprintf(format, args...), hint)
}

// given reports whether the file had a value, and one that could be read, for what field points to.
func (r *reader) given(field any) bool { return r.at[field] != nil && !r.broken[field] }

// absent reports whether the file had nothing, not even something broken, for what field points to.
func (r *reader) absent(field any) bool { return r.at[field] == nil }

// line returns a line of the file, counted from 1.
func (r *reader) line(n int) string {
	if n < 1 || n > len(r.lines) {
		return ""
	}
	return r.lines[n-1]
}

// fill sets v from n. Name is what to call it in a mistake.
func (r *reader) fill(v reflect.Value, n *node, name string) {
	field := v.Addr().Interface()
	r.at[field] = n
	if s, ok := field.(*Secret); ok {
		s.at = n
	}
	set := setter(v, name)
	switch {
	case n.kind == nothing:
		r.broken[field] = true
		r.note(n, name+" has no value", "give it one, or take the key out")
	case set != nil:
		r.broken[field] = !r.want(n, scalar, name, "a single value") || !r.set(set, n, name)
	case v.Kind() == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		r.fill(v.Elem(), n, name)
	case v.Kind() == reflect.Struct:
		r.broken[field] = !r.fillStruct(v, n, name)
	case v.Kind() == reflect.Slice:
		r.broken[field] = !r.fillSlice(v, n, name)
	case v.Kind() == reflect.Map:
		r.broken[field] = !r.fillMap(v, n, name)
	default:
		panic("config: no rule for a field of type " + v.Type().String())
	}
}

// setter returns what puts a scalar's text into v, or nil when v takes no scalar.
func setter(v reflect.Value, name string) func(text string) error {
	if u, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		return func(text string) error { return u.UnmarshalText([]byte(text)) }
	}
	switch {
	case v.Type() == reflect.TypeFor[time.Duration]():
		return func(text string) error {
			d, err := parseDuration(text)
			v.SetInt(int64(d))
			return err
		}
	case v.Kind() == reflect.String:
		return func(text string) error { v.SetString(text); return nil }
	case v.Kind() == reflect.Bool:
		return func(text string) error {
			if text != "true" && text != "false" {
				return hinted{fmt.Sprintf("is %s, which is neither true nor false", clip(text)), "write true or false"}
			}
			v.SetBool(text == "true")
			return nil
		}
	case v.Kind() == reflect.Float64:
		return func(text string) error {
			x, err := parseNumber(text, name)
			v.SetFloat(x)
			return err
		}
	case v.Kind() == reflect.Int:
		return func(text string) error {
			x, err := parseNumber(text, name)
			if err == nil && (x != math.Trunc(x) || math.Abs(x) > 1e9) {
				return fmt.Errorf("is %s, which is not a whole number", clip(text))
			}
			v.SetInt(int64(x))
			return err
		}
	}
	return nil
}

// set puts a scalar's text where it belongs and notes what is wrong with it.
func (r *reader) set(set func(string) error, n *node, name string) bool {
	err := set(n.text)
	if err == nil {
		return true
	}
	var advice hinted
	errors.As(err, &advice)
	r.note(n, name+" "+strings.TrimPrefix(err.Error(), name+" "), advice.hint)
	return false
}

// want notes a mistake unless n is of the kind wanted.
func (r *reader) want(n *node, k kind, name, what string) bool {
	if n.kind == k {
		return true
	}
	is := map[kind]string{scalar: "a single value", list: "a list", table: "a block of keys"}[n.kind]
	r.note(n, fmt.Sprintf("%s is %s where %s should be", name, is, what), "")
	return false
}

func (r *reader) fillStruct(v reflect.Value, n *node, name string) bool {
	if !r.want(n, table, name, "a block of keys") {
		return false
	}
	fields := fieldsOf(v.Type())
	r.hide(n, fields)
	seen := map[string]*node{}
	for _, m := range n.members {
		key := m.key.text
		i := slices.IndexFunc(fields, func(f fieldInfo) bool { return f.key == key })
		switch {
		case i < 0:
			r.note(m.key, fmt.Sprintf("unknown key %q in %s", key, name), unknownKeyHint(key, fields))
		case seen[key] != nil:
			r.note(m.key, fmt.Sprintf("%q is given twice: first in line %d", key, seen[key].line), "take one of the two out")
		default:
			r.fillField(v.Field(fields[i].index), fields[i], m.value)
		}
		seen[key] = m.key
	}
	for _, f := range fields {
		if f.need && seen[f.key] == nil {
			r.note(n, fmt.Sprintf("%s has no %s", label(name, n), f.key), f.key+" is "+f.doc)
		}
	}
	return true
}

// fillField fills one field of a struct.
func (r *reader) fillField(v reflect.Value, f fieldInfo, n *node) {
	r.fill(v, n, f.key)
	field := v.Addr().Interface()
	if f.oneOf != nil && r.given(field) && !slices.Contains(f.oneOf, n.text) {
		r.broken[field] = true
		r.note(n, fmt.Sprintf("%s %s is not known", f.key, clip(n.text)), didYouMean(n.text, f.oneOf))
	}
}

// label names a block by its own name where it has one.
func label(what string, n *node) string {
	for _, m := range n.members {
		if m.key.text == "name" && m.value.kind == scalar {
			return what + " " + strconv.Quote(m.value.text)
		}
	}
	return what
}

// unknownKeyHint says which key was likely meant, and where a secret belongs.
func unknownKeyHint(key string, fields []fieldInfo) string {
	var known []string
	for _, f := range fields {
		if f.key == key+"_file" {
			return "a secret does not stand in this file: put it in a file of its own and name that file with " + f.key
		}
		known = append(known, f.key)
	}
	if strings.Trim(key, "0123456789") == "" {
		return "write fractions with a point: 8.2"
	}
	return didYouMean(key, known)
}

func (r *reader) fillSlice(v reflect.Value, n *node, name string) bool {
	if n.kind == table && v.Type() == reflect.TypeFor[Conductor]() { // one wire needs no list
		n = &node{kind: list, items: []*node{n}, line: n.line, column: n.column, width: n.width}
	}
	if !r.want(n, list, name, "a list") {
		return false
	}
	// The elements keep their addresses: the slice is made once, and in full.
	v.Set(reflect.MakeSlice(v.Type(), len(n.items), len(n.items)))
	for i, item := range n.items {
		r.fill(v.Index(i), item, singular(name))
	}
	return true
}

// singular names one element of a list.
func singular(list string) string {
	if list == "people" {
		return "person"
	}
	return strings.TrimSuffix(list, "s")
}

func (r *reader) fillMap(v reflect.Value, n *node, name string) bool {
	if !r.want(n, table, name, "a block of keys") {
		return false
	}
	v.Set(reflect.MakeMap(v.Type()))
	for _, m := range n.members {
		key := reflect.ValueOf(m.key.text)
		if v.MapIndex(key).IsValid() {
			r.note(m.key, fmt.Sprintf("%q is given twice", m.key.text), "take one of the two out")
			continue
		}
		value := reflect.New(v.Type().Elem()).Elem()
		r.at[entry{v.Addr().Interface(), m.key.text}] = m.key
		r.fill(value, m.value, m.key.text)
		v.SetMapIndex(key, value)
	}
	return true
}

// entry is the address of one value of a map, which has no address of its own.
type entry struct {
	of  any
	key string
}

// parseNumber reads a decimal number.
func parseNumber(text, name string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) || strings.ContainsAny(text, "xXpP_") {
		return 0, hinted{fmt.Sprintf("is %s, which is not a number", clip(text)), numberHint(text, name)}
	}
	return x, nil
}

// numberHint tells the common slips apart.
func numberHint(text, name string) string {
	switch {
	case strings.Contains(text, ","):
		return "write fractions with a point: 8.2"
	case text != "" && text[0] >= '0' && text[0] <= '9' && strings.Contains(name, "_"):
		return "write the number alone: the unit is in the key"
	}
	return "write a number, without quotes or unit"
}

// parseDuration reads a length of time: what time.ParseDuration takes, and days as in 30d.
func parseDuration(s string) (time.Duration, error) {
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		return 0, hinted{fmt.Sprintf("is %s, which has no unit", clip(s)), "write it as in 60s, 5m, 2h, 30d"}
	}
	if days, ok := strings.CutSuffix(s, "d"); ok {
		if x, err := strconv.ParseFloat(days, 64); err == nil && math.Abs(x) < 36500 {
			return time.Duration(x * float64(24*time.Hour)), nil
		}
	}
	d, err := time.ParseDuration(s)
	if err != nil {
		return 0, hinted{fmt.Sprintf("is %s, which is not a length of time", clip(s)), "write it as in 60s, 5m, 2h, 30d"}
	}
	return d, nil
}

// hinted is an error with advice.
type hinted struct{ text, hint string }

func (h hinted) Error() string { return h.text }

// clip quotes a value from the file, shortened.
func clip(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		return strconv.Quote(string(r[:most])) + "…"
	}
	return strconv.Quote(s)
}

// fieldInfo is what the tags of a struct field say.
type fieldInfo struct {
	key, doc string
	need     bool
	oneOf    []string // the only texts allowed; nil for any
	index    int
}

// fieldsOf returns the fields of a struct that have keys.
func fieldsOf(t reflect.Type) []fieldInfo {
	var out []fieldInfo
	for i := range t.NumField() {
		tag, ok := t.Field(i).Tag.Lookup("key")
		if !ok {
			continue
		}
		key, rest, _ := strings.Cut(tag, ",")
		f := fieldInfo{key: key, doc: t.Field(i).Tag.Get("doc"), need: rest == "need", index: i}
		if words := t.Field(i).Tag.Get("oneof"); words != "" {
			f.oneOf = strings.Split(words, "|")
		}
		out = append(out, f)
	}
	return out
}
