package config

import (
	"encoding"
	"encoding/json"
	"reflect"
	"time"

	"nightwire/alerts"
)

// The texts that become something else when read, as regular expressions for the schema.
const (
	durationPattern = `^([0-9]+(\.[0-9]+)?(ms|s|m|h|d))+$`
	clockPattern    = `^[0-2]?[0-9]:[0-5][0-9]$`
	hourPattern     = `^(off|[0-2]?[0-9]:[0-5][0-9])$`
	weekHourPattern = `^(off|[a-zA-Z]+ +[0-2]?[0-9]:[0-5][0-9])$`
	intervalPattern = `^(off|([0-9]+(\.[0-9]+)?(ms|s|m|h|d))+)$`
	spanPattern     = `^(none|[0-2]?[0-9]:[0-5][0-9] *- *[0-2]?[0-9]:[0-5][0-9])$`
)

// Schema returns the JSON Schema (draft 07, which editors know best) of the farm file. It is made from what the reader
// itself goes by. What one part of a file means for another it cannot say: that is for the check command.
func Schema() ([]byte, error) {
	s := schemaOf(reflect.TypeFor[file]())
	s["$schema"] = "http://json-schema.org/draft-07/schema#"
	s["title"] = "Nightwire farm file"
	b, err := json.MarshalIndent(s, "", "  ")
	return append(b, '\n'), err
}

// schemaOf returns the schema of what the reader fills a value of type t from.
func schemaOf(t reflect.Type) map[string]any {
	switch t {
	case reflect.TypeFor[time.Duration]():
		return map[string]any{"type": "string", "pattern": durationPattern}
	case reflect.TypeFor[Clock]():
		return map[string]any{"type": "string", "pattern": clockPattern}
	case reflect.TypeFor[Span]():
		return map[string]any{"type": "string", "pattern": spanPattern}
	case reflect.TypeFor[Hour]():
		return map[string]any{"type": "string", "pattern": hourPattern}
	case reflect.TypeFor[WeekHour]():
		return map[string]any{"type": "string", "pattern": weekHourPattern}
	case reflect.TypeFor[Interval]():
		return map[string]any{"type": "string", "pattern": intervalPattern}
	case reflect.TypeFor[alerts.Priority]():
		return map[string]any{"enum": []string{"high", "medium", "low"}}
	case reflect.TypeFor[Conductor]():
		wire := schemaOf(t.Elem())
		return map[string]any{"anyOf": []any{wire, map[string]any{"type": "array", "items": wire}}}
	}
	if reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]()) {
		return map[string]any{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem())
	case reflect.Struct:
		return schemaOfStruct(t)
	case reflect.Slice:
		return map[string]any{"type": "array", "items": schemaOf(t.Elem())}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": schemaOf(t.Elem())}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Int:
		return map[string]any{"type": "integer"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	}
	return map[string]any{"type": "string"}
}

func schemaOfStruct(t reflect.Type) map[string]any {
	properties := map[string]any{}
	var required []string
	for _, f := range fieldsOf(t) {
		p := schemaOf(t.Field(f.index).Type)
		p["description"] = f.doc
		if f.oneOf != nil {
			p["enum"] = f.oneOf
		}
		properties[f.key] = p
		if f.need {
			required = append(required, f.key)
		}
	}
	s := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if required != nil {
		s["required"] = required
	}
	return s
}
