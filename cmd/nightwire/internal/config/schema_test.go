package config

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/decode"
)

// TestPapersAreFresh compares the schema and the reference handed out with those made from the code.
func TestPapersAreFresh(t *testing.T) {
	schema, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	for path, got := range map[string]string{"farm.schema.json": string(schema), "docs/farm-file.md": Reference()} {
		name := filepath.Join("..", "..", "..", "..", "deploy", filepath.FromSlash(path))
		if *update {
			if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if diff := cmp.Diff(string(readFile(t, name)), got); diff != "" {
			t.Errorf("%s is not fresh; run the tests of this package with -update (-want +got):\n%s", name, diff)
		}
	}
}

// TestSchemaAgrees checks that the schema takes every good file, and refuses those whose mistakes it can know.
func TestSchemaAgrees(t *testing.T) {
	text, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	var schema map[string]any
	if err := json.Unmarshal(text, &schema); err != nil {
		t.Fatal(err)
	}
	root := filepath.Join("..", "..", "..", "..")
	for _, dir := range []string{"testdata/good", filepath.Join(root, "deploy/examples"), filepath.Join(root, "testdata/farms")} {
		for _, file := range yamlFiles(t, dir) {
			if problem := validate(schema, load(t, file), "file"); problem != "" {
				t.Errorf("%s: %s", file, problem)
			}
		}
	}
	for _, name := range []string{"missing-top", "unknown-keys", "wrong-types", "supply", "conductor", "sensor-format", "alarms", "secret-in-the-file"} {
		if problem := validate(schema, load(t, filepath.Join("testdata/bad", name+".yaml")), "file"); problem == "" {
			t.Errorf("%s: nothing found", name)
		}
	}
}

func TestFormatsAreThoseOfTheDecoder(t *testing.T) {
	for _, f := range fieldsOf(reflect.TypeFor[sensor]()) {
		if f.key == "format" && !slices.Equal(f.oneOf, decode.Kinds()) {
			t.Errorf("the format key in file.go takes %v, the decoder %v: name the same in the same order", f.oneOf, decode.Kinds())
		}
	}
}

func load(t *testing.T, file string) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal([]byte(strings.TrimPrefix(string(readFile(t, file)), "\ufeff")), &v); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return v
}

// validate checks a value against the part of JSON Schema that Schema uses. It returns the first problem.
func validate(schema map[string]any, v any, at string) string {
	if choices := items(schema["anyOf"]); choices != nil {
		var problems []string
		for _, s := range choices {
			p := validate(s.(map[string]any), v, at)
			if p == "" {
				return ""
			}
			problems = append(problems, p)
		}
		return strings.Join(problems, "; or ")
	}
	if enum := schema["enum"]; enum != nil && !slices.Contains(items(enum), v) {
		return fmt.Sprintf("%s: %v is not one of %v", at, v, enum)
	}
	switch x := v.(type) {
	case map[string]any:
		return validateObject(schema, x, at)
	case []any:
		if schema["type"] != "array" {
			return at + ": a list"
		}
		for i, item := range x {
			if p := validate(schema["items"].(map[string]any), item, fmt.Sprintf("%s[%d]", at, i)); p != "" {
				return p
			}
		}
	case string:
		if want := schema["type"]; want != nil && want != "string" {
			return fmt.Sprintf("%s: %q is a string, not %v", at, x, want)
		}
		if p, ok := schema["pattern"].(string); ok && !regexp.MustCompile(p).MatchString(x) {
			return fmt.Sprintf("%s: %q does not match %s", at, x, p)
		}
	case bool:
		if schema["type"] != "boolean" {
			return fmt.Sprintf("%s: %v is true or false, not %v", at, x, schema["type"])
		}
	case uint64, int64, float64:
		whole := fmt.Sprintf("%T", x) != "float64" || x.(float64) == math.Trunc(x.(float64))
		if want := schema["type"]; want != "number" && !(want == "integer" && whole) {
			return fmt.Sprintf("%s: %v is a number, not %v", at, x, want)
		}
	default:
		return fmt.Sprintf("%s: %T is not expected", at, v)
	}
	return ""
}

func validateObject(schema, x map[string]any, at string) string {
	if schema["type"] != "object" {
		return at + ": a block of keys"
	}
	for _, key := range items(schema["required"]) {
		if _, ok := x[key.(string)]; !ok {
			return fmt.Sprintf("%s: no %v", at, key)
		}
	}
	properties, _ := schema["properties"].(map[string]any)
	for key, value := range x {
		s, ok := properties[key].(map[string]any)
		if !ok {
			s, ok = schema["additionalProperties"].(map[string]any)
		}
		if !ok {
			return fmt.Sprintf("%s: unknown key %s", at, key)
		}
		if p := validate(s, value, at+"."+key); p != "" {
			return p
		}
	}
	return ""
}

// items returns v as a list; nil is the empty one.
func items(v any) []any {
	l, _ := v.([]any)
	return l
}
