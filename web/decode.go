package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"unicode/utf8"
)

// maxJSONBytes is the largest JSON body taken.
const maxJSONBytes = 1 << 20

// readJSON reads the one JSON object that a request must carry into dst. Unknown fields are refused
// by name: a misspelt "hold" would otherwise leave a default in force that nobody asked for.
func readJSON(w http.ResponseWriter, r *http.Request, dst any) error {
	return readBody(w, r, dst, false)
}

// readOptionalJSON is readJSON for requests that may come without a body, such as "end the run".
func readOptionalJSON(w http.ResponseWriter, r *http.Request, dst any) error {
	return readBody(w, r, dst, true)
}

func readBody(w http.ResponseWriter, r *http.Request, dst any, optional bool) error {
	if r.ContentLength == 0 {
		if optional {
			return nil
		}
		return malformed("send an object: {…}", "the body is missing")
	}
	if err := mustBeJSON(r.Header); err != nil {
		return err
	}
	if r.ContentLength > maxJSONBytes {
		return &http.MaxBytesError{Limit: maxJSONBytes}
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxJSONBytes))
	if err != nil {
		return readError(err)
	}
	if len(b) == 0 && optional {
		return nil
	}
	return decodeJSON(b, dst)
}

// readError keeps the faults that faultOf knows; anything else is a body cut short.
func readError(err error) error {
	if _, known := faultOf(err); known {
		return err
	}
	return malformed("send the whole body", "the body ended early: %v", err)
}

// mustBeJSON refuses a body that does not say it is JSON. Besides keeping forms out it is a wall
// against foreign pages: a browser sends this type across origins only after asking first.
func mustBeJSON(h http.Header) error {
	const hint = "send JSON with the header Content-Type: application/json"
	refuse := func(format string, a ...any) error {
		return &fault{http.StatusUnsupportedMediaType, codeNotJSON, fmt.Sprintf(format, a...), hint}
	}
	if enc := h.Get("Content-Encoding"); enc != "" && enc != "identity" {
		return refuse("the body is encoded as %q, want it plain", clip(enc))
	}
	ct := h.Get("Content-Type")
	if ct == "" {
		return refuse("the body does not say what it is")
	}
	kind, params, err := mime.ParseMediaType(ct)
	if err != nil || kind != "application/json" {
		return refuse("the body is %q, want application/json", clip(ct))
	}
	if cs := params["charset"]; cs != "" && !strings.EqualFold(cs, "utf-8") {
		return refuse("the body's charset is %q, want UTF-8", clip(cs))
	}
	return nil
}

// decodeJSON reads exactly one object. Every refusal is a fault: 400 for what is no such object, 422
// for a number too large for any quantity.
func decodeJSON(b []byte, dst any) error {
	if !utf8.Valid(b) {
		return malformed("send UTF-8", "the body is not UTF-8 text")
	}
	if first := bytes.TrimLeft(b, " \t\r\n"); len(first) == 0 || first[0] != '{' {
		return malformed("send an object: {…}", "the body is no JSON object")
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(dst); err != nil {
		return decodeError(err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return malformed("send one object and nothing after it", "something follows the object at byte %d", dec.InputOffset())
	}
	return nil
}

func decodeError(err error) error {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	var f *fault
	switch {
	case errors.As(err, &f):
		return f
	case errors.As(err, &syntax):
		return malformed("", "the body is no JSON: byte %d: %s", syntax.Offset, strings.TrimPrefix(syntax.Error(), "json: "))
	case errors.Is(err, io.ErrUnexpectedEOF):
		return malformed("send the whole object", "the body is no JSON: it ends inside the object")
	case errors.As(err, &kind) && strings.HasPrefix(kind.Value, "number "):
		return outOfRange("", "%s: %s is no number this field can hold", kind.Field, clip(strings.TrimPrefix(kind.Value, "number ")))
	case errors.As(err, &kind):
		return malformed("", "%s: want %s, got %s", orBody(kind.Field), kindWord(kind.Type.Kind().String()), kind.Value)
	}
	if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
		return malformed("leave it out, or see the list of fields at /help/http", "unknown field %s", clip(name))
	}
	return malformed("", "the body cannot be read: %s", clip(strings.TrimPrefix(err.Error(), "json: ")))
}

func orBody(field string) string {
	if field == "" {
		return "the body"
	}
	return field
}

// kindWord says a Go kind in the words of JSON.
func kindWord(kind string) string {
	switch kind {
	case "float64", "float32", "int", "int64", "uint8":
		return "a number"
	case "string":
		return "a text"
	case "bool":
		return "true or false"
	case "slice", "array":
		return "a list"
	}
	return "an object"
}

// clip keeps what a stranger sent short enough for an error text.
func clip(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
