package protocol

import (
	"encoding/json"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// plainSeeds are spellings at which two readers of JSON could part ways.
var plainSeeds = []string{
	`{"id":"k7p2q4m9tc-000017","hold":"h-01","kind":"answered","at":1790000123456,"err":9,"by":"buddy","data":{"took_ms":840},"mac":"x"}`,
	`{"id":"a-1","hold":"h","kind":"x","at":-1,"at":1.0,"data":{"a":[1,{"b":null}],"c":"\u00e4\n"},"by":""}`,
	`{"id":"a-1","hold":"h","kind":"x","at":0123}`, `{"id":"a-1","hold":"h","kind":"x","at":1,"\u0061t":2}`,
	`{"id":"a-1","hold":"h","kind":"x","at":1,"data":{"x":"\ud800"}}`, `{"id":"a-1","hold":"h","kind":"\u0078","at":1}`,
	`{"id":"a-1","hold":"h","kind":"x","at":1,"data":null}`, `{"id":"a-1","hold":"h","kind":"x","at":1,"data":{},"data":7}`,
	` {"id":"a-1","hold":"h","kind":"x","at":1}`, `{"id":"a-1","hold":"h","kind":"x", "at":1}`, "{\"id\":\"a\t1\",\"hold\":\"h\",\"kind\":\"x\",\"at\":1}",
	`{"a":1,}`, `{"a":}`, `{,}`, `{"a":1 "b":2}`, `[1,]`, `[1 2]`, `[,1]`, `{"a":-}`, `{"a":1.}`, `{"a":.5}`, `{"a":1e}`, `{"a":1e+5}`, `{"a":-0.0E-9}`,
	`{"a":tru}`, `{"a":nul`, `{"a":falsee}`, `{"a":"\x"}`, `{"a":"\u12g4"}`, `{"a":"\`, `{"a":"`, `{"a"`, `{`, ``, `[]`, `{}`, `[[[[]]]]`, `{"a":[]}x`, "\ufeff{}", "{\"\xff\":1}",
	`{"a":[1,2,3]}`, `{"a":[1,2,3,4]}`, `{"a":[1],"a":[[2],{"a":[3]}]}`, `{"a":[1],"a":7}`, `{"b":[1],"a":[ ]}`,
	`{"a":1,"b":1,"c":1,"d":1,"e":1,"f":1,"g":1,"h":1,"i":1,"j":1,"k":1,"l":1,"m":1,"n":1,"o":1,"p":1,"q":1}`,
}

// FuzzPlain ensures that what is taken for plain is what encoding/json reads,
// field by field, and that an event is the same whichever way it is read.
func FuzzPlain(f *testing.F) {
	for _, seed := range plainSeeds {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var p Plain
		if p.Read(text) {
			require.True(t, utf8.Valid(text))
			var fields map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(text, &fields))
			for key, value := range fields {
				require.Equal(t, string(value), string(p.Get(key)))
			}
			for _, f := range p.fields[:p.n] {
				require.Contains(t, fields, string(f.key))
			}
			require.Equal(t, levels(text), p.levels)
		}
		if p.ReadWithList(text, "a", 3) {
			var fields map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(text, &fields))
			var elements []json.RawMessage
			if a := fields["a"]; len(a) > 0 && a[0] == '[' {
				require.NoError(t, json.Unmarshal(a, &elements))
			}
			require.LessOrEqual(t, len(elements), 3)
			require.Len(t, p.List(), len(elements))
			for i, element := range p.List() {
				require.Equal(t, string(elements[i]), string(element))
			}
		}
		if e, ok := decodePlain(text); ok {
			other, err := decodeAny(text)
			require.NoError(t, err)
			require.Equal(t, other, e)
		}
	})
}

// Ensures that what pages send is read the quick way.
func TestPagesSpellPlainly(t *testing.T) {
	_, ok := decodePlain([]byte(plainSeeds[0]))
	require.True(t, ok)
	var p Plain
	require.True(t, p.ReadWithList([]byte(`{"type":"events","events":[`+plainSeeds[0]+`,7]}`), "events", 2))
	require.Len(t, p.List(), 2)
}
