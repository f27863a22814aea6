package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
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

// calibration is a line through the readings as the command line writes it.
type calibration struct{ trace.Calibration }

// UnmarshalText reads OFFSET,GAIN or OFFSET,GAIN,U_OFFSET,U_GAIN, or none.
func (c *calibration) UnmarshalText(b []byte) error {
	text := strings.TrimSpace(string(b))
	*c = calibration{}
	if text == "none" {
		return nil
	}
	fields := strings.Split(text, ",")
	numbers := []*float64{&c.Offset, &c.Gain, &c.UOffset, &c.UGain}
	bad := fmt.Errorf("%q is no calibration, write OFFSET,GAIN such as -0.012,1.0123, with both expanded uncertainties behind them if they are known, or none", text)
	if len(fields) != 2 && len(fields) != 4 {
		return bad
	}
	for i, f := range fields {
		v, err := strconv.ParseFloat(strings.TrimSpace(f), 64)
		if err != nil {
			return bad
		}
		*numbers[i] = v
	}
	if err := c.Validate(); err != nil {
		return fmt.Errorf("%q: %w", text, err)
	}
	if !c.Known() {
		return bad
	}
	return nil
}
