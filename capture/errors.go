package capture

import "fmt"

// Code tells errors apart that a caller treats differently; the HTTP interface maps it to a status.
type Code string

// The codes of the bench's errors.
const (
	CodeMalformed Code = "malformed"    // what was asked for makes no sense
	CodeNotFound  Code = "not_found"    // what was named does not exist
	CodeState     Code = "wrong_state"  // not now: the bench is in another state
	CodeRange     Code = "out_of_range" // a number outside what is allowed
)

// Error is a refusal in words: what is wrong, and what to do about it.
type Error struct {
	Code Code
	Text string // what is wrong
	Hint string // what to do; may be empty
}

// Error gives both sentences in one line.
func (e *Error) Error() string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + ": " + e.Hint
}

func refuse(c Code, hint, format string, args ...any) *Error {
	return &Error{Code: c, Text: fmt.Sprintf(format, args...), Hint: hint}
}
