package main

import (
	"fmt"
	"strings"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// instant is a moment on a trace's own times: seconds, or the time code of a video.
type instant struct {
	s    seconds
	code string
}

// UnmarshalText reads a number of seconds, or keeps a time code until the frame rate is known.
func (i *instant) UnmarshalText(b []byte) error {
	if text := strings.TrimSpace(string(b)); strings.Count(text, ":") >= 2 {
		i.code = text
		return nil
	}
	return i.s.UnmarshalText(b)
}

// on gives the seconds; rate reads a time code, nil: there can be none.
func (i instant) on(rate *file.FrameRate) (float64, error) {
	switch {
	case i.code == "":
		return float64(i.s), nil
	case rate == nil:
		return 0, &usageError{fmt.Sprintf("%s is a time code: that needs --timecode and --fps, else write seconds", i.code)}
	}
	ns, err := rate.Parse(i.code)
	return float64(ns) / 1e9, err
}

// timecodeFlags say that files hold readings noted from a video.
type timecodeFlags struct {
	Timecode bool   `help:"The files hold readings noted from a video of the display, each line a time code hh:mm:ss:ff and a current."`
	FPS      string `name:"fps" help:"Frame rate of the video: 23.976, 24, 25, 29.97, 30, 50, 59.94 or 60." placeholder:"RATE"`
}

// rate gives the frame rate of notes from a video; nil: the files hold none.
func (f timecodeFlags) rate() (*file.FrameRate, error) {
	switch {
	case !f.Timecode && f.FPS == "":
		return nil, nil
	case !f.Timecode:
		return nil, &usageError{"--fps: only readings noted from a video have a frame rate: add --timecode"}
	case f.FPS == "":
		return nil, &usageError{"--timecode needs --fps RATE: how many frames a second the video has"}
	}
	r, err := file.ParseFrameRate(f.FPS)
	if err != nil {
		return nil, &usageError{"--fps: " + err.Error()}
	}
	return &r, nil
}

// readTrace reads a trace, or notes from a video where rate is not nil. What notes do not tell is taken as
// it mostly is, and said.
func readTrace(path string, opt file.Options, rate *file.FrameRate, s *trace.Settings) (file.Trace, error) {
	if rate == nil {
		return file.Read(path, opt)
	}
	t, err := file.ReadTimecodeFile(path, *rate)
	if err != nil {
		return t, err
	}
	s.StampUS = rate.FrameS()
	if s.AveragingS == nil {
		s.AveragingS = ptr(trace.DisplayUpdateS)
		t.Warnings = append(t.Warnings, trace.Warning{Code: "display_update",
			Text: fmt.Sprintf("the display is taken to change every %g s, which counts as its averaging; --averaging says otherwise", trace.DisplayUpdateS)})
	}
	return t, nil
}
