package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
)

type decodeTarget struct {
	HoldS *float64 `json:"hold_s"`
	Text  string   `json:"text"`
	Deep  struct {
		A float64 `json:"a"`
	} `json:"deep"`
	List []int64 `json:"list"`
}

func TestDecodeJSON(t *testing.T) {
	for name, c := range map[string]struct {
		body   string
		status int    // 0: taken
		says   string // in the fault's text
	}{
		"an object is taken":                    {`{"hold_s":30,"text":"ü"}`, 0, ""},
		"space around it does no harm":          {" \n{} \t\n", 0, ""},
		"an unknown field is named":             {`{"hold":30}`, 400, `"hold"`},
		"an unknown field deep inside is named": {`{"deep":{"b":1}}`, 400, `"b"`},
		"an empty body":                         {``, 400, "no JSON object"},
		"null is no object":                     {`null`, 400, "no JSON object"},
		"a list is no object":                   {`[]`, 400, "no JSON object"},
		"a number is no object":                 {`7`, 400, "no JSON object"},
		"a body cut short":                      {`{"hold_s":3`, 400, "ends inside"},
		"broken JSON names the byte":            {`{"hold_s":30,,}`, 400, "byte 14"},
		"NaN is no JSON":                        {`{"hold_s":NaN}`, 400, "byte"},
		"a second object":                       {`{}{}`, 400, "byte 3"},
		"garbage after it":                      {`{} x`, 400, "follows"},
		"a text for a number":                   {`{"hold_s":"30"}`, 400, "hold_s: want a number, got string"},
		"a number for a text":                   {`{"text":30}`, 400, "text: want a text"},
		"an object for a list":                  {`{"list":{}}`, 400, "list: want a list"},
		"a number too large for any quantity":   {`{"hold_s":1e999}`, 422, "hold_s"},
		"a fraction where a whole number is":    {`{"list":[1.5]}`, 422, "list"},
		"bytes that are no text":                {"{\"text\":\"\xff\"}", 400, "UTF-8"},
		"brackets without end":                  {`{"list":` + strings.Repeat("[", 20000), 400, ""},
	} {
		t.Run(name, func(t *testing.T) {
			var dst decodeTarget
			err := decodeJSON([]byte(c.body), &dst)
			if c.status == 0 {
				if err != nil {
					t.Fatalf("err = %v, want none", err)
				}
				return
			}
			var f *fault
			if !errors.As(err, &f) || f.status != c.status || !strings.Contains(f.text, c.says) {
				t.Fatalf("err = %#v, want status %d saying %q", err, c.status, c.says)
			}
		})
	}
}

func TestMustBeJSON(t *testing.T) {
	for name, c := range map[string]struct {
		headers []string
		ok      bool
	}{
		"JSON":                     {[]string{"Content-Type", "application/json"}, true},
		"JSON that names UTF-8":    {[]string{"Content-Type", "application/json; charset=UTF-8"}, true},
		"JSON in another charset":  {[]string{"Content-Type", "application/json; charset=utf-16"}, false},
		"nothing said":             {nil, false},
		"plain text":               {[]string{"Content-Type", "text/plain"}, false},
		"a form":                   {[]string{"Content-Type", "application/x-www-form-urlencoded"}, false},
		"a form with files":        {[]string{"Content-Type", "multipart/form-data; boundary=x"}, false},
		"JSON hidden in text":      {[]string{"Content-Type", "text/plain; application/json"}, false},
		"nonsense":                 {[]string{"Content-Type", ";;;"}, false},
		"JSON that was compressed": {[]string{"Content-Type", "application/json", "Content-Encoding", "gzip"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			h := http.Header{}
			for i := 0; i < len(c.headers); i += 2 {
				h.Set(c.headers[i], c.headers[i+1])
			}
			if err := mustBeJSON(h); (err == nil) != c.ok {
				t.Fatalf("err = %v, want ok %v", err, c.ok)
			}
		})
	}
}

// FuzzDecodeJSON holds decodeJSON to its promise: what it takes is one JSON object, what it refuses
// is a fault with a status of its own and a short text.
func FuzzDecodeJSON(f *testing.F) {
	f.Fuzz(func(t *testing.T, b []byte) {
		var dst decodeTarget
		err := decodeJSON(b, &dst)
		if err == nil {
			if !json.Valid(b) {
				t.Fatalf("took %q, which is no JSON", b)
			}
			var any map[string]json.RawMessage
			if err := json.Unmarshal(b, &any); err != nil || any == nil {
				t.Fatalf("took %q, which is no object: %v", b, err)
			}
			return
		}
		var fl *fault
		if !errors.As(err, &fl) {
			t.Fatalf("err = %v, want a fault", err)
		}
		if fl.status != 400 && fl.status != 422 {
			t.Fatalf("status = %d, want 400 or 422", fl.status)
		}
		if len(fl.text) > 400 {
			t.Fatalf("text has %d bytes: %s", len(fl.text), fl.text)
		}
	})
}
