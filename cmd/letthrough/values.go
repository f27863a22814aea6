package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// seconds is a duration as the command line writes it: 30, 30s or 500ms.
type seconds float64

// UnmarshalText reads a number of seconds or one with its unit.
func (s *seconds) UnmarshalText(b []byte) error {
	text := strings.TrimSpace(string(b))
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		d, derr := time.ParseDuration(text)
		if derr != nil {
			return fmt.Errorf("%q is no duration, write 30, 30s or 500ms", text)
		}
		v = d.Seconds()
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%q is no duration, write 30, 30s or 500ms", text)
	}
	*s = seconds(v)
	return nil
}

// float gives the seconds behind an optional flag, nil where it was not given.
func (s *seconds) float() *float64 {
	if s == nil {
		return nil
	}
	return ptr(float64(*s))
}

func ptr[T any](v T) *T { return &v }
