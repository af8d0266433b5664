package protocol_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Ensures that every vector file keeps to its schema, for those who write a runner of their own from the schemas.
func TestVectorsKeepToTheirSchemas(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join(vectorsDir, "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	s := schemas{t: t, files: map[string]any{}}
	for _, path := range paths {
		name := filepath.Base(path)
		assert.Empty(t, s.check(s.file(name), name, readAny(t, path), ""), name)
	}
}

// Ensures that the check of schemas can fail.
func TestSchemaCheckFindsFaults(t *testing.T) {
	s := schemas{t: t, files: map[string]any{}}
	good := func() map[string]any {
		return map[string]any{"format": 1.0, "about": "x", "count": 1.0, "cases": []any{map[string]any{
			"comment": "x", "rules": []any{"a.b"}, "data": map[string]any{}, "plan": nil,
		}}}
	}
	faults := map[string]func(f, c map[string]any){
		"a field nobody knows":  func(f, c map[string]any) { c["hat"] = 1.0 },
		"a field is missing":    func(f, c map[string]any) { delete(c, "data") },
		"a wrong type":          func(f, c map[string]any) { c["plan"] = "none" },
		"another format":        func(f, c map[string]any) { f["format"] = 2.0 },
		"no case":               func(f, c map[string]any) { f["cases"] = []any{} },
		"a rule that is no id":  func(f, c map[string]any) { c["rules"] = []any{"A rule"} },
		"an empty comment":      func(f, c map[string]any) { c["comment"] = "" },
		"a count of nought":     func(f, c map[string]any) { f["count"] = 0.0 },
		"a count not whole":     func(f, c map[string]any) { f["count"] = 1.5 },
		"a plan without fields": func(f, c map[string]any) { c["plan"] = map[string]any{} },
		"an unknown cadence":    func(f, c map[string]any) { c["plan"] = map[string]any{"cadence": "brisk"} },
	}
	require.Empty(t, s.check(s.file("plan.json"), "plan.json", good(), ""))
	for what, spoil := range faults {
		f := good()
		spoil(f, f["cases"].([]any)[0].(map[string]any))
		assert.NotEmpty(t, s.check(s.file("plan.json"), "plan.json", f, ""), what)
	}
}

func readAny(t *testing.T, path string) any {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	var v any
	require.NoError(t, json.Unmarshal(raw, &v))
	return v
}

// schemas checks values against the schemas of the vectors. It knows the few keywords that these use; any other is a failure.
type schemas struct {
	t     *testing.T
	files map[string]any
}

func (s schemas) file(name string) any {
	if _, there := s.files[name]; !there {
		s.files[name] = readAny(s.t, filepath.Join(vectorsDir, "schema", name))
	}
	return s.files[name]
}

// check gives the faults of a value; in is the file in which the schema stands.
func (s schemas) check(schema any, in string, value any, at string) (faults []string) {
	rules := schema.(map[string]any)
	fault := func(format string, a ...any) { faults = append(faults, at+": "+fmt.Sprintf(format, a...)) }
	object, _ := value.(map[string]any)
	list, _ := value.([]any)
	text, isText := value.(string)
	number, isNumber := value.(float64)
	for key, rule := range rules {
		switch key {
		case "$schema", "title", "$defs":
		case "$ref":
			target, file := s.resolve(rule.(string), in)
			faults = append(faults, s.check(target, file, value, at)...)
		case "type":
			if !slices.ContainsFunc(listOf(rule), func(name any) bool { return isOfType(value, name.(string)) }) {
				fault("%v is not of type %v", value, rule)
			}
		case "const":
			if value != rule {
				fault("%v is not %v", value, rule)
			}
		case "enum":
			if !slices.Contains(rule.([]any), value) {
				fault("%v is none of %v", value, rule)
			}
		case "minimum":
			if isNumber && number < rule.(float64) {
				fault("%v is too small", value)
			}
		case "minLength":
			if isText && utf8.RuneCountInString(text) < int(rule.(float64)) {
				fault("the text is too short")
			}
		case "pattern":
			if isText && !regexp.MustCompile(rule.(string)).MatchString(text) {
				fault("%q does not match %v", text, rule)
			}
		case "minItems":
			if list != nil && len(list) < int(rule.(float64)) {
				fault("too few items")
			}
		case "minProperties":
			if object != nil && len(object) < int(rule.(float64)) {
				fault("too few fields")
			}
		case "items":
			for i, item := range list {
				faults = append(faults, s.check(rule, in, item, fmt.Sprintf("%s/%d", at, i))...)
			}
		case "properties":
			for name, field := range rule.(map[string]any) {
				if v, there := object[name]; there {
					faults = append(faults, s.check(field, in, v, at+"/"+name)...)
				}
			}
		case "required":
			for _, name := range rule.([]any) {
				if _, there := object[name.(string)]; object != nil && !there {
					fault("%v is missing", name)
				}
			}
		case "additionalProperties":
			require.Equal(s.t, false, rule)
			known := rules["properties"].(map[string]any)
			for name := range object {
				if _, there := known[name]; !there {
					fault("nobody knows the field %s", name)
				}
			}
		default:
			require.Failf(s.t, "unknown keyword", "%s in a schema of %s", key, in)
		}
	}
	return faults
}

// resolve finds what a $ref like `file.json#/$defs/name`, `file.json` or `#/$defs/name` points to.
func (s schemas) resolve(ref, in string) (schema any, file string) {
	file, path, _ := strings.Cut(ref, "#")
	if file == "" {
		file = in
	}
	schema = s.file(file)
	for _, name := range strings.Split(strings.Trim(path, "/"), "/") {
		if name != "" {
			schema = schema.(map[string]any)[name]
		}
	}
	require.NotNil(s.t, schema, "the schema %s points to nothing", ref)
	return schema, file
}

func listOf(v any) []any {
	if list, isList := v.([]any); isList {
		return list
	}
	return []any{v}
}

func isOfType(value any, name string) bool {
	switch v := value.(type) {
	case nil:
		return name == "null"
	case bool:
		return name == "boolean"
	case string:
		return name == "string"
	case float64:
		return name == "number" || name == "integer" && v == math.Trunc(v)
	case []any:
		return name == "array"
	case map[string]any:
		return name == "object"
	}
	return false
}
